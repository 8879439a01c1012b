"""Run folders and bare tables: the only room that knows files, columns and events."""
