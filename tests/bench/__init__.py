"""Speed and size figures: `python -m tests.bench` prints one JSON line each."""
