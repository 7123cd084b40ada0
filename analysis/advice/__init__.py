"""What a person must be told about a sweep or a curve: what was seen, the likely cause, what to do."""
