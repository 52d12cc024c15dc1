"""What a person may write, and what it means: TOML in, a finished :class:`Scenario` out, every mistake reported at once."""
