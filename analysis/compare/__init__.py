"""One lift profile against another, and how far the lobe of one sweep comes after that of another."""
