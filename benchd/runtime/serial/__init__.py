"""Serial boards: the port, lines framed out of bytes, lines sent back."""
