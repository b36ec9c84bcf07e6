"""A small pack taken in by the interpreter of the boards: run as pack_case.py FOLDER, prints what was answered."""

import binascii
import hashlib
import json
import sys

import loader
from sash import signing, update_pack

folder, key = sys.argv[1], bytes(32)
module = b"x = 1\n" * 300
line = json.dumps({"v": 1, "n": 2, "version": "0.2.0", "files": [["sash/a.py", len(module), binascii.crc32(module)]]})
manifest = line.encode() + b"\n" + f"{binascii.crc32(line.encode()):08x}".encode()
pack = binascii.hexlify(hashlib.sha256(manifest).digest()).decode()
stream, ends = manifest + module, (len(manifest), len(manifest) + len(module))


def put(body):
    """Hand over a signed message to a receiver that has just come up."""
    board = update_pack.Receiver(folder, "t", key, (1, "0.1.0"), loader.file_crc)
    return board.handle(signing.seal(key, "t", body), 1, 0, 1_900_000_000)


answer = put({"n": 1, "pack": pack, "version": "0.2.0", "number": 2, "size": len(manifest)})
while "want" in answer:
    at = answer["want"]
    end = next(end for end in ends if end > at)
    data = binascii.b2a_base64(stream[at : min(at + update_pack.SLICE_BYTES, end)]).decode().strip()
    answer = put({"pack": pack, "at": at, "data": data})
print(sorted(answer))
print(sorted(put({"pack": pack, "commit": 1, "exp": 2_000_000_000})))
print(loader.intact(folder)["version"])
