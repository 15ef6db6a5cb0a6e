"""The dive log, kept in a database."""
