"""Where true top dead center is: by piston stop, by piston travel, and carried from capture to capture."""
