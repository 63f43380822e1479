"""Output for people and programs; the only place where local time exists."""
