"""What people and programs are given: documents, text, figures, the report."""
