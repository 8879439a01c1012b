"""Serial ports of this computer, and what an unknown one sends."""
