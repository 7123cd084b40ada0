"""From frames to a capture file, safe against kill and power loss; and back, as a live source."""
