"""What a heat run will be able to decide, before anyone heats anything."""
