"""Where the crank was when each reading was taken, and which readings can be believed."""
