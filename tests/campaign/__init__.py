"""Whole simulated frame-winters with the real firmware code and the real host: what rings wrongly, what is missed."""
