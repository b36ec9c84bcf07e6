"""Sashkeeper's host: stores, plans, and tells the grower when hands are needed."""

__version__ = "0.1.0"
