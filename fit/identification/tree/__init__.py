"""A heat path that is a tree, with several sources: one network fitted to all of a record."""
