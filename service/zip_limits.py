"""What a zip archive may be before anything in it is unpacked."""

import zlib
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import BinaryIO
from zipfile import BadZipFile, ZipFile, ZipInfo

MEBIBYTE = 1024 * 1024


class ZipRefused(Exception):
    """The archive is not one that is unpacked here; the message says why."""


@dataclass(frozen=True, kw_only=True)
class ZipLimits:
    """How much an archive may hold: entries, bytes unpacked, and how far one entry may be packed."""

    entries: int
    unpacked_bytes: int
    ratio: int
    ratio_from_bytes: int = MEBIBYTE


WORKBOOK_LIMITS = ZipLimits(entries=1000, unpacked_bytes=512 * MEBIBYTE, ratio=200)
ARCHIVE_LIMITS = ZipLimits(entries=50, unpacked_bytes=1024 * MEBIBYTE, ratio=200)


def check_zip(stream: BinaryIO, limits: ZipLimits) -> None:
    """Refuse an archive by what its directory says; `copy_entry` holds it to that.

    Parameters
    ----------
    stream : binary file
        The archive; left at its beginning.
    limits : ZipLimits
        What it may hold.

    Raises
    ------
    ZipRefused
        If it is no archive, is encrypted, holds too much, or names a place outside itself.
    """
    try:
        with ZipFile(stream) as archive:
            entries = archive.infolist()
    except (BadZipFile, ValueError, NotImplementedError, EOFError) as error:
        raise ZipRefused("no zip archive that can be read") from error
    stream.seek(0)
    if len(entries) > limits.entries:
        raise ZipRefused(f"{len(entries)} entries; at most {limits.entries} are read")
    for entry in entries:
        _check_entry(entry, limits)
    total = sum(entry.file_size for entry in entries)
    if total > limits.unpacked_bytes:
        raise ZipRefused(f"{total} bytes unpacked; at most {limits.unpacked_bytes} are read")


def copy_entry(archive: ZipFile, entry: ZipInfo, target: BinaryIO) -> None:
    """Unpack an entry, as far as its directory says and no further.

    Parameters
    ----------
    archive : ZipFile
        That `check_zip` let pass.
    entry : ZipInfo
        Of the archive.
    target : binary file
        Takes the bytes; left at its beginning.

    Raises
    ------
    ZipRefused
        If it is damaged, or is larger than it says.
    """
    left = entry.file_size
    try:
        with archive.open(entry) as packed:
            while block := packed.read(MEBIBYTE):
                left -= len(block)
                if left < 0:
                    raise ZipRefused(f"{entry.filename} is larger than its archive says")
                target.write(block)
    except (BadZipFile, zlib.error, EOFError, OSError, NotImplementedError, RuntimeError) as error:
        raise ZipRefused(f"{entry.filename} can't be unpacked") from error
    target.seek(0)


def _check_entry(entry: ZipInfo, limits: ZipLimits) -> None:
    path = PurePosixPath(entry.filename.replace("\\", "/"))
    if path.is_absolute() or ".." in path.parts or ":" in entry.filename:
        raise ZipRefused(f"{entry.filename!r} names a place outside the archive")
    if entry.flag_bits & 1:
        raise ZipRefused(f"{entry.filename} is encrypted")
    most = limits.ratio * max(entry.compress_size, 1)
    if entry.file_size > limits.ratio_from_bytes and entry.file_size > most:
        raise ZipRefused(f"{entry.filename} unpacks to more than {limits.ratio} times its size")
