"""The HTTP socket: serving, HTTPS with the bench's own authority, tokens, the local client."""
