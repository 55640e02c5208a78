"""Do two answers about one amp ever state one thing differently? `python -m tests.coherence`."""
