"""The guided measurement: its steps, where it stands, and how it is saved."""
