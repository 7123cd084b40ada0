"""One lift profile against another, against many, and forward against backward."""
