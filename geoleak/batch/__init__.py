"""Many sites: each below some folders located, on this machine's cores or on a cluster."""
