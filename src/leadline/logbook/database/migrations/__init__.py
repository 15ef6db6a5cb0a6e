"""How the tables of the dive log came to be, revision by revision, for Alembic."""
