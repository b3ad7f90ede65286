"""What `check`, `route`, `listen` and `delay` print."""
