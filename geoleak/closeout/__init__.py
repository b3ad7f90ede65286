"""After the dig: where the leak was, the report, the record over many sites, and learning."""
