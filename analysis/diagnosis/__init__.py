"""What is wrong with the evidence: rules by subject, entered in one table (table.py), asked by `examine`."""
