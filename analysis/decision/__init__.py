"""From curves to a decision: verdict, likely cause, correction, clearances; decide.py puts them together."""
