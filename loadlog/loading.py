"""From a configuration file to a bench ready to be polled: opens the file and the profiles it names, and joins them.

A profile is named by a path relative to the configuration file, or ``shipped:NAME`` for one that comes with the package.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from loadlog.config import BusConfig, Config, DeviceConfig, parse_config
from loadlog.model.device import DeviceSpec
from loadlog.model.errors import ConfigError
from loadlog.model.run import Snapshot
from loadlog.model.serial_form import device_to_json
from loadlog.profiles import BusBudget, Profile, bus_budget, check_fit, device_spec, load_profile, remarks_on, shipped
from loadlog.version import __version__

SHIPPED = "shipped:"


@dataclass(frozen=True, slots=True)
class LoadedProfile:
    """A profile with the text it was read from."""

    profile: Profile
    text: str
    sha256: str


@dataclass(frozen=True, slots=True)
class Bench:
    """The configuration, its profiles by the name used in the file, and every device as the later stages see it."""

    config: Config
    path: Path
    text: str
    data_dir: Path
    profiles: Mapping[str, LoadedProfile]
    devices: Mapping[str, DeviceSpec]

    @property
    def digest(self) -> str:
        """Of the text: by it recorder and viewer know that they speak of one configuration."""
        return digest_of(self.text)

    def profile_of(self, device: DeviceConfig) -> Profile:
        """The profile of a device of this bench."""
        return self.profiles[device.profile].profile

    def configured(self, name: str) -> tuple[DeviceConfig, BusConfig]:
        """A device of this bench and its bus, as the file has them.

        Raises:
            KeyError: there is no such device.
        """
        for device in self.config.device:
            if device.name == name:
                return device, next(bus for bus in self.config.bus if bus.name == device.bus)
        raise KeyError(name)

    def on_bus(self, bus: BusConfig) -> list[DeviceConfig]:
        """The devices of a bus, in the order of the file."""
        return [d for d in self.config.device if d.bus == bus.name]

    def budgets(self) -> list[BusBudget]:
        """The wire budget of every bus.

        Raises:
            ConfigError: a rate cannot fit; names the rate that can.
        """
        return [bus_budget(bus, [(d, self.profile_of(d)) for d in self.on_bus(bus)], str(self.path)) for bus in self.config.bus]

    def remarks(self) -> list[str]:
        """What in the configuration is allowed and yet has no effect, or another one than may be meant; one line each."""
        return [line for spec in self.devices.values() for line in remarks_on(spec)]

    def snapshot(self, identities: Mapping[str, Mapping[str, str]]) -> Snapshot:
        """What a recording keeps of this bench."""
        return Snapshot(
            bench=self.config.bench.name,
            config=self.text,
            profiles={name: {"text": p.text, "sha256": p.sha256} for name, p in self.profiles.items()},
            devices={name: device_to_json(spec) for name, spec in self.devices.items()},
            software=f"loadlog {__version__}",
            identities={device: dict(texts) for device, texts in identities.items()},
        )


def digest_of(text: str) -> str:
    """Of a text of the configuration, by which two of them are known to be the same."""
    return hashlib.sha256(text.encode()).hexdigest()


def load_bench(path: Path) -> Bench:
    """Read the configuration at ``path`` and everything it names.

    Raises:
        ConfigError: a file is missing or wrong; one line with file, key and what is allowed.
    """
    return bench_of(read_config(path), path)


def read_config(path: Path) -> str:
    """The text of the configuration file as it is now.

    Raises:
        ConfigError: it cannot be read.
    """
    return read_text(path, "configuration", "give another with --config, or copy one of config/")


def bench_of(text: str, path: Path) -> Bench:
    """The bench of a text of the configuration, as if it stood at ``path``.

    Raises:
        ConfigError: as `load_bench`.
    """
    config = parse_config(text, str(path))
    loaded = {device.profile: _load_profile(device.profile, path) for device in config.device}
    buses = {bus.name: bus for bus in config.bus}
    devices = {}
    for device in config.device:
        found = loaded[device.profile]
        check_fit(buses[device.bus], device, found.profile, str(path))
        devices[device.name] = device_spec(config.resolved(device), found.profile, found.sha256, str(path))
    _check_actions(config, loaded, path)
    data_dir = (path.parent / config.bench.data_dir).resolve()
    return Bench(config, path, text, data_dir, loaded, devices)


def _check_actions(config: Config, loaded: Mapping[str, LoadedProfile], path: Path) -> None:
    """A protective action that the profile cannot carry out must not wait for the emergency to say so."""
    profile_of = {d.name: loaded[d.profile].profile for d in config.device}
    for number, action in enumerate(config.protective_action, 1):
        if not profile_of[action.device].can(action.action):
            raise ConfigError(
                f"protective_action[{number}]: profile {profile_of[action.device].name} of {action.device} has no [writes.{action.action}]",
                where=str(path),
                hint="describe it in the profile",
            )


def _load_profile(name: str, config_path: Path) -> LoadedProfile:
    if name.startswith(SHIPPED):
        text = shipped(name.removeprefix(SHIPPED))
        where = name
    else:
        file = config_path.parent / name
        text = read_text(file, "profile")
        where = str(file)
    return LoadedProfile(load_profile(text, where), text, hashlib.sha256(text.encode()).hexdigest())


def read_text(path: Path, what: str, hint: str = "check its path") -> str:
    """The text of a file that the user wrote, without the mark that some editors put before UTF-8; ``hint``: what to do when it is missing.

    Raises:
        ConfigError: missing, not permitted, a directory, not UTF-8.
    """
    try:
        return path.read_text(encoding="utf-8-sig")
    except FileNotFoundError as exc:
        raise ConfigError(f"there is no such {what} file", where=str(path), hint=hint) from exc
    except UnicodeDecodeError as exc:
        raise ConfigError(f"the {what} file is not UTF-8 text (byte {exc.start})", where=str(path), hint="save it as UTF-8") from exc
    except (OSError, ValueError) as exc:  # ValueError: a zero byte in the path
        why = exc.strerror if isinstance(exc, OSError) else str(exc)
        raise ConfigError(f"cannot read the {what} file: {why}", where=str(path), hint="check path, owner and mode") from exc


def read_secret(what: str, env: str, file: str, base: Path, environ: Mapping[str, str]) -> str:
    """A secret that the configuration names by environment variable or by file (relative to ``base``), without blanks at its ends.

    Raises:
        ConfigError: missing, unreadable or empty; names the setting, never the secret.
    """
    if env:
        source, text = f"{what}_env: environment variable {env}", environ.get(env, "")
    else:
        path = base / file
        source = f"{what}_file {path}"
        text = read_text(path, f"secret of {what}")
    if not text.strip():
        raise ConfigError(f"{source} is empty or not set", hint="put the secret there")
    if not text.strip().isprintable():
        raise ConfigError(f"{source} is not one line of text", hint="put the secret there, on one line")
    return text.strip()
