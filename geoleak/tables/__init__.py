"""Published constants as data files, each row with its source."""
