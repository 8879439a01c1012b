"""JSON Schemas of every document that heatrun writes or prints (JSON Schema 2020-12)."""
