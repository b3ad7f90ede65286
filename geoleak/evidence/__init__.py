"""One module per kind of evidence: survey and candidate places to log-likelihoods."""
