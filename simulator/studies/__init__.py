"""Studies: many lanes at once, and what they say together."""
