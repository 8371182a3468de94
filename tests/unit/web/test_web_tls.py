"""The page over TLS, with a certificate that openssl makes here; and certificate files that cannot be used."""

from __future__ import annotations

import shutil
import signal
import socket
import ssl
import subprocess
from collections.abc import Callable
from pathlib import Path

import httpx
import pytest

from loadlog.config import WebConfig
from loadlog.model.errors import ConfigError
from loadlog.web import Access
from loadlog.web.tls import load_tls
from tests.serving import HEADERS, PATIENCE_S, TOKEN, configured, refusal, serving, viewer
from tests.unit.web.stand_in import StandIn

pytestmark = pytest.mark.skipif(shutil.which("openssl") is None, reason="no openssl: apt-get install openssl")
FILES = {"tls_cert_file": "cert.pem", "tls_key_file": "key.pem"}


def certificate(folder: Path, cert: str = "cert.pem", key: str = "key.pem") -> None:
    """A certificate of 127.0.0.1 that is its own authority, and its key."""
    curve = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes"]
    names = ["-subj", "/CN=bench", "-addext", "subjectAltName=IP:127.0.0.1,DNS:localhost", "-days", "2"]
    command = ["openssl", "req", "-x509", *curve, *names, "-keyout", str(folder / key), "-out", str(folder / cert)]
    subprocess.run(command, check=True, capture_output=True)


def test_the_page_is_served_over_tls_alone(bench: StandIn, tmp_path: Path) -> None:
    certificate(tmp_path)
    tls = load_tls(WebConfig.model_validate(FILES), tmp_path)
    trusting = ssl.create_default_context(cafile=str(tmp_path / "cert.pem"))
    with serving(tmp_path / "data", Access(False, TOKEN), tls=tls) as base:
        assert base.startswith("https://")
        with httpx.Client(base_url=base, verify=trusting, timeout=PATIENCE_S) as http:
            assert http.get("/healthz").text == "ok\n"
            answer = http.post("/api/session", json={"token": TOKEN}, headers=HEADERS)
            cookie = answer.headers["set-cookie"]
            assert cookie.startswith(f"__Host-loadlog_session_{http.base_url.port}=")
            assert {"secure", "httponly", "samesite=strict", "path=/"} <= set(cookie.lower().split("; "))
            assert http.get("/api/devices").status_code == 200
            bench.sample("load-1", {"voltage_v": 24.0})
            with http.stream("GET", "/api/stream") as stream:
                assert b"hello" in next(stream.iter_raw())
            assert http.delete("/api/session", headers=HEADERS).status_code == 204
            assert http.get("/api/devices").status_code == 401
        with httpx.Client(base_url=base) as strict, pytest.raises(httpx.ConnectError, match="CERTIFICATE_VERIFY_FAILED"):
            strict.get("/healthz")
        with httpx.Client(base_url=base.replace("https", "http")) as plain, pytest.raises(httpx.TransportError):
            plain.get("/healthz")


@pytest.mark.filterwarnings("ignore:ssl.TLSVersion:DeprecationWarning")
def test_outdated_versions_of_tls_are_refused(bench: StandIn, tmp_path: Path) -> None:
    """RFC 8996: TLS 1.0 and 1.1 must not be used."""
    certificate(tmp_path)
    old = ssl.create_default_context(cafile=str(tmp_path / "cert.pem"))
    old.set_ciphers("DEFAULT:@SECLEVEL=0")
    old.minimum_version, old.maximum_version = ssl.TLSVersion.TLSv1, ssl.TLSVersion.TLSv1_1
    with serving(tmp_path / "data", tls=load_tls(WebConfig.model_validate(FILES), tmp_path)) as base:
        port = int(base.rpartition(":")[2])
        with (
            socket.create_connection(("127.0.0.1", port), PATIENCE_S) as sock,
            pytest.raises(ssl.SSLError),
            old.wrap_socket(sock, server_hostname="127.0.0.1"),
        ):  # fmt: skip
            pass


def test_the_viewer_says_its_address_with_the_right_scheme(tmp_path: Path) -> None:
    certificate(tmp_path)
    settings = 'tcp_port = 0\ntls_cert_file = "cert.pem"\ntls_key_file = "key.pem"'
    with viewer(configured(tmp_path, settings)) as (_, base):
        assert base.startswith("https://127.0.0.1:")
        trusting = ssl.create_default_context(cafile=str(tmp_path / "cert.pem"))
        with httpx.Client(base_url=base, verify=trusting, timeout=PATIENCE_S) as http:
            assert http.get("/healthz").status_code == 200


def test_a_renewed_certificate_is_taken_up_at_a_hangup_and_a_broken_one_is_not(tmp_path: Path) -> None:
    certificate(tmp_path)
    settings = 'tcp_port = 0\ntls_cert_file = "cert.pem"\ntls_key_file = "key.pem"'
    with viewer(configured(tmp_path, settings)) as (process, base):
        port = int(base.rpartition(":")[2])
        assert process.stderr is not None

        def hang_up(says: str) -> str:
            process.send_signal(signal.SIGHUP)
            lines = []
            for line in process.stderr:  # type: ignore[union-attr]
                lines.append(line)
                if "reads its certificate again" in line:
                    break
            assert (says in "".join(lines)) or not says
            return ssl.get_server_certificate(("127.0.0.1", port))

        first = ssl.get_server_certificate(("127.0.0.1", port))
        certificate(tmp_path)
        second = hang_up("")
        assert second != first
        assert ssl.PEM_cert_to_DER_cert(second) == ssl.PEM_cert_to_DER_cert((tmp_path / "cert.pem").read_text())
        another_key(tmp_path)
        assert hang_up("the certificate stays as it was: ") == second
        (tmp_path / "cert.pem").unlink()
        assert hang_up("the certificate stays as it was: ") == second


def another_key(folder: Path) -> None:
    certificate(folder, "other.pem", "key.pem")


def encrypted_key(folder: Path) -> None:
    command = ["openssl", "pkey", "-aes256", "-passout", "pass:secret", "-in", str(folder / "key.pem"), "-out", str(folder / "enc.pem")]
    subprocess.run(command, check=True, capture_output=True)
    (folder / "enc.pem").rename(folder / "key.pem")


@pytest.mark.parametrize(
    ("spoil", "says"),
    [
        (lambda folder: (folder / "cert.pem").unlink(), "web.tls_cert_file: cannot read .*No such file"),
        (lambda folder: (folder / "key.pem").unlink(), "web.tls_key_file: cannot read .*No such file"),
        (lambda folder: (folder / "cert.pem").write_text("no PEM"), "do not fit"),
        (lambda folder: (folder / "key.pem").write_bytes(b"\0" * 100), "do not fit"),
        (another_key, "KEY_VALUES_MISMATCH"),
        (encrypted_key, "without a passphrase"),
    ],
)
def test_files_that_cannot_be_used_stop_the_viewer_with_one_line(tmp_path: Path, spoil: Callable[[Path], object], says: str) -> None:
    certificate(tmp_path)
    spoil(tmp_path)
    with pytest.raises(ConfigError, match=says) as caught:
        load_tls(WebConfig.model_validate(FILES), tmp_path)
    assert "\n" not in str(caught.value)


def test_the_refusal_is_the_viewers_exit(tmp_path: Path) -> None:
    status, line = refusal(configured(tmp_path, 'tls_cert_file = "cert.pem"\ntls_key_file = "key.pem"'))
    assert status == 2
    assert "web.tls_cert_file" in line
