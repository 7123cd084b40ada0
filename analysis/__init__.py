"""lobetrace, the ground floor: pure functions over arrays, from captured counts to events and their uncertainty."""
