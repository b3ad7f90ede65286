"""Recordings to levels, bands and delays; wave speed of a pipe. Knows nothing of maps."""
