"""Sashkeeper's controller: keeps one cold frame safe with nobody else awake."""

VERSION = "0.1.0"
