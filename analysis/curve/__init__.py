"""From readings on the crank to the lift curve of one sweep: points, base circle, smoothing, lag."""
