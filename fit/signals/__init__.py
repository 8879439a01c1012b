"""From a run as recorded to signals fit for identification."""
