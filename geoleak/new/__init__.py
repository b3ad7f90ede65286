"""A newcomer's folder, from a rover's file and a few answers."""
