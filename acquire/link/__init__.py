"""Ports and what comes of them: opening, the hello, reading, reconnecting, health."""
