"""Packing a session, its recordings and its results into one ordinary ZIP file.

Recordings become FLAC where that holds every bit of them; what it does not hold (floating point, 32
bits, lossy codings, more than eight channels, rates that it refuses) is packed as it is. Notes in a
recording's header are lost, its samples are not. The same content gives the same bytes: every entry
bears the first date that ZIP knows.
"""

from __future__ import annotations

import tempfile
import zipfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Any

import soundfile

from distsweep.errors import InputError
from distsweep.results import Results, to_json
from distsweep.takes.bundle import is_bundle
from distsweep.takes.bundle_manifest import (
    MANIFEST,
    OF_BYTES,
    OF_SAMPLES,
    RESULTS,
    RESULTS_NAME,
    SESSION,
    SESSION_AS_GIVEN,
    BundledFile,
    Manifest,
    free_name,
    is_safe,
    made_safe,
)
from distsweep.takes.played import is_sound, own_sidecar_path
from distsweep.takes.provenance import ELSEWHERE, created_now, file_sha256, inside_session
from distsweep.takes.session import Session
from distsweep.takes.session_paths import session_text, with_paths
from distsweep.takes.sound_file import SoundFile, open_sound, reading, sample_sha256
from distsweep.toml_input import read_toml
from distsweep.version import VERSION
from distsweep.whole_files import has_content, try_folder, unusable, write_whole

AS_FLAC = {"PCM_U8": "PCM_S8", "PCM_S8": "PCM_S8", "PCM_16": "PCM_16", "PCM_24": "PCM_24"}
"""Encodings that FLAC holds every bit of, and what libsndfile calls them there."""

EXACT = (*AS_FLAC, "PCM_32", "FLOAT", "DOUBLE")
"""Encodings whose samples every decoder reads alike."""

FLAC_CHANNELS = 8
"""Most channels of a FLAC file (RFC 9639, section 9.1.3)."""

PACKED = (".json", ".toml", ".csv", ".txt", ".html", ".svg")
"""Files that are deflated; others are stored, as they hardly become shorter (chosen)."""

FIRST_DATE = (1980, 1, 1, 0, 0, 0)
"""The earliest date that a ZIP file can hold (its specification, APPNOTE.TXT 4.4.6)."""

STYLE = "style.toml"
RESERVED = MANIFEST, SESSION, SESSION_AS_GIVEN, STYLE
BLOCK = 2**20


def check_bundle_place(path: Path) -> None:
    """Refuse a place where a bundle cannot be written: better before an analysis than after.

    Raises
    ------
    InputError
        Something that is no bundle stands there, or the folder cannot be written.
    """
    if path.is_dir():
        raise InputError(f"{path}: is a folder: give the name of a file for the bundle")
    if path.exists() and not path.is_file():
        raise InputError(f"{path}: is no ordinary file: give the name of one for the bundle")
    try_folder(path.parent, wanted=path)
    if has_content(path) and not is_bundle(path):
        raise InputError(
            f"{path}: is there, and is no bundle of distsweep: it was left as it is; choose"
            " another name"
        )


def write_bundle(
    path: str | Path,
    session: Session,
    results: Results,
    *,
    result_files: Mapping[str, Path] | None = None,
    style: Path | None = None,
) -> None:
    """Pack what was analysed, and what was found, into one file, whole or not at all.

    Parameters
    ----------
    result_files : files that the analysis has left, by their names in its folder: tables, report,
        ``results.json``, which is written anew where it is not among them.
    style : the style of the figures, where it is not that beside the session.

    Raises
    ------
    InputError
        The place is taken by another file, or a file cannot be read or written.
    """
    path = Path(path)
    check_bundle_place(path)
    try:
        with tempfile.TemporaryDirectory(prefix="distsweep-packing-") as scratch:
            packing = _Packing(Path(scratch), session)
            _add_results(packing, results, result_files or {})
            _add_session(packing, session, style)
            _check_analysed(path, packing.files, results)
            manifest = Manifest(
                VERSION,
                created_now() if results.provenance is None else results.provenance.created,
                tuple(packing.files),
                session.every_run,
            )
            write_whole(path, lambda scratch_file: _write_zip(scratch_file, manifest, packing))
    except OSError as error:
        raise unusable(path, error) from error


def _check_analysed(path: Path, files: Sequence[BundledFile], results: Results) -> None:
    """Refuse recordings that were exchanged while they were analysed.

    Raises
    ------
    InputError
        The results rest on others.
    """
    if results.provenance is None:
        return
    analysed = {file.sha256 for file in results.provenance.recordings}
    for file in files:
        if file.of == OF_SAMPLES and file.sha256 not in analysed:
            raise InputError(
                f"{path}: {file.used_as} was changed since it was analysed: analyse it again, and"
                " record to another file meanwhile"
            )


@dataclass
class _Packing:
    """The files of a bundle while it is put together, and where each lies on the disk."""

    scratch: Path
    session: Session
    files: list[BundledFile] = field(default_factory=list)
    places: dict[str, Path] = field(default_factory=dict)
    names: dict[Path, str] = field(default_factory=dict)
    outside: list[Path] = field(default_factory=list)

    def text(self, name: str, text: str, *, used_as: str = "") -> None:
        """Add a text."""
        place = self.scratch / f"{len(self.files)}.txt"
        place.write_text(text, encoding="utf-8", newline="\n")
        self.file(name, place, used_as=used_as)

    def file(self, name: str, place: Path, *, used_as: str = "") -> None:
        """Add a file as it is."""
        self.places[name] = place
        size, sha256 = place.stat().st_size, file_sha256(place)
        self.files.append(BundledFile(name, size, sha256, OF_BYTES, used_as))

    def source(self, path: Path) -> str:
        """Add a file that an analysis reads, once; return its name in the bundle."""
        if path not in self.names:
            used_as = self._used_as(path)
            self.names[path] = self.free(used_as)
            self.file(self.names[path], path, used_as=used_as)
        return self.names[path]

    def recording(self, path: Path) -> str:
        """Add a recording, once, as FLAC where it can be; return its name in the bundle."""
        if path in self.names:
            return self.names[path]
        sound = open_sound(path)
        if sound.encoding not in EXACT:
            return self.source(path)
        used_as, place = self._used_as(path), path
        sha256, name = sample_sha256(path), used_as
        flac = self.scratch / f"{len(self.files)}.flac"
        if sound.container == "FLAC" or _write_flac(sound, flac, sha256):
            place = path if sound.container == "FLAC" else flac
            name = str(PurePosixPath(used_as).with_suffix(".flac"))
        name = self.free(name)
        self.places[name], self.names[path] = place, name
        self.files.append(
            BundledFile(
                name, place.stat().st_size, sha256, OF_SAMPLES, used_as, sound.rate_hz,
                sound.channels,
            )
        )  # fmt: skip
        return name

    def free(self, name: str) -> str:
        """Return a name that no file in the bundle has yet."""
        return free_name(name, [*self.places, *RESERVED])

    def _used_as(self, path: Path) -> str:
        """Return a file's name where it is unpacked: its own, in a folder for each outside."""
        inside = inside_session(self.session, path)
        if inside is not None:
            name = made_safe(inside.parts)
        else:
            folder = path.absolute().parent
            if folder not in self.outside:
                self.outside.append(folder)
            name = made_safe((ELSEWHERE, str(self.outside.index(folder)), path.name))
        return free_name(name, [*(file.used_as for file in self.files), *RESERVED])


def _add_results(packing: _Packing, results: Results, files: Mapping[str, Path]) -> None:
    """Add what an analysis has left, and the results themselves if they are not among it."""
    named = {f"{RESULTS}/{name}": file for name, file in files.items()}
    if RESULTS_NAME not in named:
        packing.text(RESULTS_NAME, to_json(results) + "\n")
    for name, file in named.items():
        packing.file(name, file)


def _add_session(packing: _Packing, session: Session, style: Path | None) -> None:
    """Add every file that a session names, and its text with their names in the bundle."""
    add: dict[str, Callable[[Path], str]] = {"recording": packing.recording}

    def renamed(kind: str, name: str) -> str:
        packed = add.get(kind, packing.source)(session.folder / name)
        if kind == "stimulus":
            _add_beside(packing, session.folder / name)
        return packed

    data = _data_of(session) if session.file is None else read_toml(session.file)
    packing.text(SESSION, session_text(with_paths(data, renamed)), used_as=SESSION)
    if session.file is not None:
        packing.file(SESSION_AS_GIVEN, session.file)
        style = style or session.folder / STYLE
    if style is not None and style.is_file():
        _add_style(packing, style)


def _add_style(packing: _Packing, style: Path) -> None:
    """Add a house style and its logo, for the record: elsewhere its font may not be there."""
    packing.file(STYLE, style)
    text = read_toml(style).get("text", {})
    logo = text.get("logo") if isinstance(text, dict) else None
    if isinstance(logo, str) and (style.parent / logo).is_file():
        name = logo if is_safe(logo) else made_safe([Path(logo).name])
        packing.file(packing.free(name), style.parent / logo)


def _data_of(session: Session) -> dict[str, Any]:
    """Return what a ``session.toml`` would hold of a session that was read from none."""
    takes = []
    for entry in session.takes:
        recordings = [str(path) for path in entry.recordings]
        take: dict[str, Any] = {
            "position": entry.position,
            "stimulus": str(entry.stimulus),
            "recording": recordings[0] if len(recordings) == 1 else recordings,
        }
        channels = {"channel": entry.channel, "loopback_channel": entry.loopback_channel}
        takes.append(take | {key: value for key, value in channels.items() if value is not None})
    return {"takes": takes}


def _add_beside(packing: _Packing, stimulus: Path) -> None:
    """Add the sidecar that lies beside a sound file, and the recipe that lies beside a sidecar."""
    if is_sound(stimulus):
        sidecar = own_sidecar_path(stimulus)
        if sidecar is None:
            return
        packing.source(sidecar)
        stimulus = sidecar
    recipe = stimulus.with_suffix(".toml")
    if recipe != packing.session.file and recipe.is_file():
        packing.source(recipe)


def _write_flac(sound: SoundFile, target: Path, sha256: str) -> bool:
    """Write a recording as FLAC; tell whether that holds every bit of it."""
    encoding = AS_FLAC.get(sound.encoding)
    if encoding is None or sound.channels > FLAC_CHANNELS:
        return False
    with reading(sound.path), soundfile.SoundFile(sound.path) as source:
        form = sound.rate_hz, sound.channels, encoding
        try:
            with soundfile.SoundFile(target, "w", *form, format="FLAC") as flac:
                for block in source.blocks(BLOCK, dtype="int32", always_2d=True):
                    flac.write(block)
        except soundfile.LibsndfileError:  # a rate that FLAC does not know, or no room
            return False
    return sample_sha256(target) == sha256


def _write_zip(path: Path, manifest: Manifest, packing: _Packing) -> None:
    with zipfile.ZipFile(path, "w") as archive:
        _write_entry(archive, MANIFEST, manifest.as_json().encode("utf-8"))
        for name, place in packing.places.items():
            _write_entry(archive, name, place)


def _write_entry(archive: zipfile.ZipFile, name: str, content: bytes | Path) -> None:
    """Write a file into the archive, dated alike and readable by its owner and all others."""
    info = zipfile.ZipInfo(name, FIRST_DATE)
    packed = PurePosixPath(name).suffix in PACKED
    info.compress_type = zipfile.ZIP_DEFLATED if packed else zipfile.ZIP_STORED
    info.create_system = 3  # Unix, wherever it is written: the same bytes
    info.external_attr = 0o100644 << 16
    if isinstance(content, bytes):
        archive.writestr(info, content)
        return
    info.file_size = content.stat().st_size  # says whether the entry needs 64-bit lengths
    with content.open("rb") as source, archive.open(info, "w") as target:
        while block := source.read(BLOCK):
            target.write(block)
