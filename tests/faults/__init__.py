"""The fault bench: every way a frame can fail, in sun and in frost, with the real firmware code and the real host."""
