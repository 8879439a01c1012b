"""The identified network in other forms: structure function, SPICE."""
