"""lobetrace, the bench side: everything that touches a port, a clock or a screen."""
