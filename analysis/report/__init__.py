"""What a result looks like: the sheet people read and the JSON machines read."""
