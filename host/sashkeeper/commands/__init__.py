"""One file a command. Each module holds a click command named ``command``."""
