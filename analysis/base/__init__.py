"""What every room stands on: errors, the arrays of a recording, quantities with their uncertainty, findings, and words."""
