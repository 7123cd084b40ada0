"""From a lift curve to the numbers of one lobe, each with every cause of its uncertainty."""
