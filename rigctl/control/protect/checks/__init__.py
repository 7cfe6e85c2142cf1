"""The checks behind the rows of the table, by subject."""
