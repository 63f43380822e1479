"""One file a provider, each ending in one frozen description of it."""
