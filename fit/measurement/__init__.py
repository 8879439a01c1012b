"""What a record says of each span, how sure it is, and what it does not carry."""
