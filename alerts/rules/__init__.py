"""One file a kind of finding."""
