"""From a box of parts to a running frame, over the serial line.

wire      the only module that touches mpremote: run, read, write, list on a board
image     the firmware as compiled modules with a checksum manifest
install   copy, verify, roll back, so that power may go at any moment
steps, bench   the check before a lid may move on its own
"""
