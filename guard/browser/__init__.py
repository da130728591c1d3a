"""The live session as one page in a browser on the local network: loaded only when asked for."""
