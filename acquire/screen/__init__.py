"""The second screen: the live screen's pictures as a page for a phone or a tablet. It shows, and can change nothing."""
