"""Damaged and hostile input, thrown at everything that reads: only our own errors may come out."""
