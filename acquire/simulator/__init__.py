"""A rig made of parts that speaks the wire format: for tests, for trying things out, and for a bench without an engine."""
