"""A network of lumps fitted to a record: its response, the search, the choice."""
