"""What a measured product may do."""
