"""Files in, plain records out. One module per kind of input."""

from geoleak.readers.site_folder import read_site

__all__ = ["read_site"]
