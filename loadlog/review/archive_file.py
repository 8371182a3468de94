"""The archive of one run: one ZIP file that opens on another machine without the service.

Contents: ``recordings/*.sqlite`` (complete copies, made live), ``report.html``, ``review.json``, ``events.jsonl``, ``notes.jsonl``,
``bench.toml`` (configuration as recorded), ``profiles/*.toml``, and last ``manifest.json`` with the format's version and SHA-256 and size
of every member. An archive is read only when its manifest is there, known and right; what is not names the member.
"""

from __future__ import annotations

import errno
import hashlib
import json
import tempfile
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path, PurePosixPath

from loadlog.model.clock import format_utc
from loadlog.model.errors import StoreError
from loadlog.review.html import html_report
from loadlog.review.postmortem import post_mortem
from loadlog.store import Archive
from loadlog.store.backup import backup
from loadlog.store.disk import written_whole

VERSION = 1
MANIFEST = "manifest.json"
BLOCK = 1 << 20
NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)  # of the disk that it is unpacked on, which says nothing of the archive


def write_archive(data_dir: Path, run_id: str, path: Path, progress: Callable[[int], None] = lambda samples: None) -> int:
    """Everything about a run into ``path``, whole or not at all; returns the number of members.

    Raises:
        UsageError: there is no such run.
        StoreError: a recording cannot be read, or the file cannot be written.
    """
    archive = Archive(data_dir)
    run = archive.run(run_id)
    try:
        with written_whole(path) as fresh, tempfile.TemporaryDirectory(dir=path.parent, prefix=".archive-") as scratch:
            copies = backup(data_dir, Path(scratch), run.id)
            if copies.skipped:
                name, why = next(iter(copies.skipped.items()))
                raise StoreError(f"not archived: {why}", where=name, hint="see loadlog store verify")
            frozen = Archive(Path(scratch))  # what is in the archive is what its report was made from
            members = {f"recordings/{copy.name}": copy for copy in sorted(copies.folder.glob("*.sqlite"))}
            for name, text in _texts(frozen, run.id, progress).items():
                members[name] = Path(scratch) / "members" / name
                members[name].parent.mkdir(parents=True, exist_ok=True)
                members[name].write_text(text, encoding="utf-8")
            _pack(members, fresh, run.id)
    except OSError as exc:
        raise StoreError(f"cannot be written: {exc.strerror or exc}", where=str(path), hint="give another --output") from exc
    return len(members) + 1


def _texts(archive: Archive, run_id: str, progress: Callable[[int], None]) -> dict[str, str]:
    report = post_mortem(archive, run_id, progress)
    snapshot = archive.snapshot(run_id)
    events = "".join(json.dumps(e.to_json()) + "\n" for e in archive.events(run=run_id))
    notes = "".join(
        json.dumps({"t": format_utc(n.t_utc_ns), "author": n.author, "text": n.text}, ensure_ascii=False) + "\n"
        for n in archive.notes(run_id)
    )
    texts = {
        "report.html": html_report(report),
        "review.json": json.dumps(report.to_json(), ensure_ascii=False, allow_nan=False),
        "events.jsonl": events,
        "notes.jsonl": notes,
        "bench.toml": snapshot.config,
    }
    for name, about in snapshot.profiles.items():
        safe = "".join(c if c.isalnum() or c in "-_." else "_" for c in name).strip(".")
        texts[f"profiles/{safe or 'profile'}.toml"] = about.get("text", "")
    return texts


def _pack(members: dict[str, Path], path: Path, run_id: str) -> None:
    about = {}
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as pack:
        for name, source in members.items():
            digest, size = hashlib.sha256(), 0
            with source.open("rb") as file, pack.open(name, "w", force_zip64=True) as out:
                while block := file.read(BLOCK):
                    digest.update(block)
                    size += len(block)
                    out.write(block)
            about[name] = {"sha256": digest.hexdigest(), "size": size}
        manifest = {"format": "loadlog run archive", "version": VERSION, "run": run_id, "members": about}
        pack.writestr(MANIFEST, json.dumps(manifest, indent=1))


@contextmanager
def open_archive(path: Path) -> Iterator[tuple[Archive, str]]:
    """The recordings in an archive file and the id of its run, for the time of the block.

    Raises:
        StoreError: no archive, of a newer version, truncated or altered; names the member. Or there is no room to unpack it.
    """
    try:
        place = tempfile.TemporaryDirectory(prefix="loadlog-archive-")
    except OSError as exc:
        raise _no_room(path, exc) from exc
    with place as scratch:
        try:
            with zipfile.ZipFile(path) as pack:
                run_id = _unpack(pack, path, Path(scratch))
        except (zipfile.BadZipFile, EOFError, NotImplementedError) as exc:
            raise _damaged(path, "the file", f"is truncated or no ZIP file ({exc})") from exc
        except OSError as exc:
            raise StoreError(f"cannot be read: {exc.strerror or exc}", where=str(path), hint="check path, owner and mode") from exc
        yield Archive(Path(scratch)), run_id


def _unpack(pack: zipfile.ZipFile, path: Path, target: Path) -> str:
    try:
        manifest = json.loads(pack.read(MANIFEST))
        version, run_id, members = manifest["version"], str(manifest["run"]), dict(manifest["members"])
    except KeyError as exc:
        raise StoreError(
            "is no archive of a run: it has no complete manifest", where=str(path), hint="give what loadlog export wrote"
        ) from exc
    except (ValueError, TypeError, zipfile.BadZipFile) as exc:
        raise _damaged(path, MANIFEST, f"cannot be read ({exc})") from exc
    if version != VERSION:
        raise StoreError(f"is of version {version}, this program reads {VERSION}", where=str(path), hint="update loadlog")
    if extra := sorted(set(pack.namelist()) - set(members) - {MANIFEST}):
        raise _damaged(path, extra[0], "is not in the manifest")
    for name, about in members.items():
        _unpack_one(pack, path, name, about, target)
    return run_id


def _unpack_one(pack: zipfile.ZipFile, path: Path, name: str, about: object, target: Path) -> None:
    """Checks every member, keeps the recordings."""
    kept = target / "recordings" / PurePosixPath(name).name if PurePosixPath(name).parts[:-1] == ("recordings",) else None
    digest, size = hashlib.sha256(), 0
    try:
        expected = (about["sha256"], about["size"])  # type: ignore[index]
        with pack.open(name) as file:
            if kept is not None:
                kept.parent.mkdir(exist_ok=True)
            with (kept or target / "checked").open("wb") as out:
                while block := file.read(BLOCK):
                    digest.update(block)
                    size += len(block)
                    if kept is not None:
                        out.write(block)
    except (KeyError, TypeError) as exc:
        raise _damaged(path, name, "is missing") from exc
    except (zipfile.BadZipFile, EOFError, OSError, RuntimeError, ValueError) as exc:
        if isinstance(exc, OSError) and exc.errno in NO_ROOM:
            raise _no_room(path, exc) from exc
        raise _damaged(path, name, f"cannot be read ({exc})") from exc
    except Exception as exc:  # the decompressor's own errors have no common root
        raise _damaged(path, name, f"cannot be unpacked ({exc})") from exc
    if (digest.hexdigest(), size) != expected:
        raise _damaged(path, name, "was altered: its SHA-256 is not that of the manifest")


def _no_room(path: Path, exc: OSError) -> StoreError:
    hint = f"make room in {tempfile.tempdir or 'the folder for temporary files'}, or set TMPDIR to a folder with more"
    return StoreError(f"cannot be unpacked: {exc.strerror}", where=str(path), hint=hint)


def _damaged(path: Path, member: str, what: str) -> StoreError:
    return StoreError(f"is damaged: {member} {what}", where=str(path), hint="ask for the archive again")
