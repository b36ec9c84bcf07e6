"""Named records in one folder of the board's file system.

A file counts as written only once it is closed; boards have no fsync worth
the name (littlefs commits on close). Nothing here is power-safe by itself:
slots.py and journal.py are, on top of this.
"""

import os

_NO_ENTRY = 2


class FileStorage:
    """read, write, append, remove, names over plain files in `folder`."""

    def __init__(self, folder):
        self._prefix = folder.rstrip("/") + "/"
        self._folder = folder

    def read(self, name):
        """Return the file's bytes, or None when there is no such file."""
        try:
            size = os.stat(self._prefix + name)[6]
            with open(self._prefix + name, "rb") as file:
                return file.read(size)  # one block of memory of the right size, no growing
        except OSError as error:
            if error.errno == _NO_ENTRY:
                return None
            raise

    def write(self, name, data):
        """Replace the file."""
        with open(self._prefix + name, "wb") as file:
            file.write(data)

    def append(self, name, data):
        """Add to the end of the file, which is made when missing."""
        with open(self._prefix + name, "ab") as file:
            file.write(data)

    def remove(self, name):
        """Remove the file; missing is fine."""
        try:
            os.remove(self._prefix + name)
        except OSError as error:
            if error.errno != _NO_ENTRY:
                raise

    def names(self):
        """Return the names of all files."""
        return os.listdir(self._folder)
