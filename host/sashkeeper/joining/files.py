"""Where the household's certificates are; needs no library, so that every command can look."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

FOLDER = "tls"
HOST_NAME = "sashkeeper-host"  # the one name that boards look for in the broker's certificate


@dataclass(frozen=True)
class Files:
    """Paths of what the authority keeps."""

    folder: Path

    @property
    def ca_pem(self) -> Path:
        """Certificate of the authority, for the host and for browsers."""
        return self.folder / "ca.pem"

    @property
    def ca_der(self) -> Path:
        """The same for boards."""
        return self.folder / "ca.der"

    @property
    def ca_key(self) -> Path:
        """The authority's private key."""
        return self.folder / "ca.key"

    @property
    def cert(self) -> Path:
        """The broker's certificate."""
        return self.folder / "server.pem"

    @property
    def key(self) -> Path:
        """The broker's private key."""
        return self.folder / "server.key"

    def secrets(self) -> tuple[Path, Path]:
        """What nobody else may read."""
        return self.ca_key, self.key


def files(home: Path) -> Files:
    """Return where the certificates of a home folder are."""
    return Files(home / FOLDER)
