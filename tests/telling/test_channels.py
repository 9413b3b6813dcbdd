"""Messages over real servers: SMTP with STARTTLS and with TLS, HTTPS, and a notification service on a real D-Bus."""

from __future__ import annotations

import json
import socket
import ssl
import subprocess
import sys
import threading
from http.server import BaseHTTPRequestHandler, HTTPServer
from shutil import which
from typing import ClassVar

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult
from support_tls import self_signed

from evidence.errors import BadInputError, TellingError
from evidence.settings import EmailSettings, load_settings
from evidence.telling.channels import CardMessage, channels, post, send_email

MESSAGE = CardMessage(subject="Card A: SAFE TO ERASE", text="Card A: 2 photos.", data={"safe_to_erase": True})
PASSWORD = "only for this test"


@pytest.fixture
def certificate(tmp_path, monkeypatch):
    """A certificate of localhost that this process trusts, with its key, in one file."""
    public, private = self_signed(tmp_path)
    monkeypatch.setenv("SSL_CERT_FILE", str(public))
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(public, private)
    return context


def free_port():
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


class Mailbox:
    def __init__(self):
        self.mails = []

    async def handle_DATA(self, _server, session, envelope):
        self.mails.append((envelope.mail_from, envelope.rcpt_tos, envelope.content.decode(), session.ssl))
        return "250 OK"


def authenticate(_server, _session, _envelope, _mechanism, data):
    known = (data.login, data.password) == (b"ada", PASSWORD.encode())
    return AuthResult(success=known, handled=known)


def serving(box, context, *, starttls):
    named = {"tls_context": context, "require_starttls": True} if starttls else {"ssl_context": context}
    return Controller(
        box,
        hostname="127.0.0.1",
        port=free_port(),
        authenticator=authenticate,
        auth_required=True,
        **named,
        **({} if starttls else {"auth_require_tls": False}),
    )


def settings_for(port, tmp_path, *, security="starttls", password=PASSWORD, mode=0o600):
    file = tmp_path / "password"
    file.write_text(f"{password}\n", encoding="utf-8")
    file.chmod(mode)
    return EmailSettings(
        server="localhost", port=port, security=security, sender="archive@example.org",
        to=("ada@example.org",), user="ada", password_file=str(file),
    )  # fmt: skip


def port_of(controller):
    return controller.server.sockets[0].getsockname()[1]


@pytest.fixture(params=["starttls", "tls"])
def mail_server(request, certificate):
    box = Mailbox()
    controller = serving(box, certificate, starttls=request.param == "starttls")
    controller.start()
    yield box, port_of(controller), request.param
    controller.stop()


def test_an_email_arrives_over_tls_with_the_password_of_a_private_file(mail_server, tmp_path):
    box, port, security = mail_server
    send_email(settings_for(port, tmp_path, security=security), MESSAGE)
    ((sender, to, content, encrypted),) = box.mails
    assert (sender, to) == ("archive@example.org", ["ada@example.org"])
    assert "Subject: Card A: SAFE TO ERASE" in content
    assert "Card A: 2 photos." in content
    if security == "starttls":
        assert encrypted is not None


def test_a_wrong_password_is_named_without_being_shown(mail_server, tmp_path):
    box, port, security = mail_server
    wrong = settings_for(port, tmp_path, security=security, password="a wrong secret")
    with pytest.raises(TellingError, match="refused the password of ada") as told:
        send_email(wrong, MESSAGE)
    assert "a wrong secret" not in str(told.value)
    assert box.mails == []


def test_a_certificate_that_is_not_trusted_stops_the_message(mail_server, tmp_path, monkeypatch):
    box, port, security = mail_server
    monkeypatch.delenv("SSL_CERT_FILE")
    with pytest.raises(TellingError, match="no valid certificate"):
        send_email(settings_for(port, tmp_path, security=security), MESSAGE)
    assert box.mails == []


def test_a_server_without_tls_gets_neither_password_nor_text(tmp_path):
    box = Mailbox()
    controller = Controller(box, hostname="127.0.0.1", port=free_port())
    controller.start()
    try:
        with pytest.raises(TellingError, match="took no message"):
            send_email(settings_for(port_of(controller), tmp_path), MESSAGE)
    finally:
        controller.stop()
    assert box.mails == []


@pytest.mark.skipif(sys.platform == "win32", reason="no permissions of files")
def test_a_password_file_that_others_may_read_is_refused(tmp_path):
    with pytest.raises(TellingError, match="Other users may read"):
        send_email(settings_for(9, tmp_path, mode=0o644), MESSAGE)


class Hook(BaseHTTPRequestHandler):
    got: ClassVar[list] = []
    status = 200

    def do_POST(self):
        Hook.got.append((self.path, json.loads(self.rfile.read(int(self.headers["Content-Length"])))))
        self.send_response(Hook.status)
        self.send_header("Location", "https://elsewhere.example/")
        self.end_headers()

    def log_message(self, *_more):
        pass


@pytest.fixture
def hook(certificate):
    Hook.got, Hook.status = [], 200
    with HTTPServer(("127.0.0.1", 0), Hook) as server:
        server.socket = certificate.wrap_socket(server.socket, server_side=True)
        thread = threading.Thread(target=server.serve_forever, daemon=True)
        thread.start()
        yield f"https://localhost:{server.server_port}/secret-token?a=1"
        server.shutdown()
        thread.join()


def test_a_webhook_gets_the_text_and_the_data_as_json(hook):
    post(hook, MESSAGE)
    assert Hook.got == [("/secret-token?a=1", {"text": "Card A: 2 photos.", "safe_to_erase": True})]


@pytest.mark.parametrize("status", [302, 404, 500])
def test_another_answer_is_a_failure_and_the_address_stays_secret(hook, status):
    Hook.status = status
    with pytest.raises(TellingError, match=f"status {status}") as told:
        post(hook, MESSAGE)
    assert "secret-token" not in str(told.value)
    assert len(Hook.got) == 1


def test_a_webhook_with_a_certificate_that_is_not_trusted_gets_nothing(hook, monkeypatch):
    monkeypatch.delenv("SSL_CERT_FILE")
    with pytest.raises(TellingError, match="no valid certificate"):
        post(hook, MESSAGE)
    assert Hook.got == []


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[tell]\nwebhook = 'http://x.example/'\n", "does not begin with https"),
        ("[tell.email]\nserver = 'mail.example.org'\n", "no sender or nobody to write to"),
    ],
)
def test_settings_that_could_tell_nobody_are_refused(text, words):
    with pytest.raises(BadInputError, match=words):
        load_settings(text)


def test_nothing_is_sent_unless_the_settings_name_a_way():
    assert channels(load_settings("").tell) == {}


SHOWN = """
import asyncio, json, sys
from dbus_fast.aio import MessageBus
from dbus_fast.service import ServiceInterface, dbus_method

class Service(ServiceInterface):
    @dbus_method()
    def Notify(self, app: 's', number: 'u', icon: 's', title: 's', body: 's', actions: 'as', hints: 'a{sv}', wait: 'i') -> 'u':
        print(json.dumps([app, title, body]), flush=True)
        return 1
    @dbus_method()
    def GetCapabilities(self) -> 'as':
        return ['body']
    @dbus_method()
    def GetServerInformation(self) -> 'ssss':
        return ['test', 'test', '1', '1.2']

async def main():
    bus = await MessageBus().connect()
    bus.export('/org/freedesktop/Notifications', Service('org.freedesktop.Notifications'))
    await bus.request_name('org.freedesktop.Notifications')
    from evidence.telling.channels import CardMessage, notify
    await asyncio.to_thread(notify, CardMessage(subject='Card A', text='2 photos.', data={}))

asyncio.run(main())
"""


@pytest.mark.skipif(not which("dbus-run-session"), reason="no D-Bus on this computer")
def test_a_notification_reaches_the_desktops_service():
    ran = subprocess.run(
        ["dbus-run-session", "--", sys.executable, "-c", SHOWN],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert ran.returncode == 0, ran.stderr
    assert json.loads(ran.stdout) == ["Photo evidence archive", "Card A", "2 photos."]


@pytest.mark.skipif(sys.platform != "linux", reason="other desktops have no D-Bus")
def test_a_computer_without_a_desktop_is_named(monkeypatch):
    from evidence.telling.channels import notify

    monkeypatch.setenv("DBUS_SESSION_BUS_ADDRESS", "unix:path=/nonexistent")
    with pytest.raises(TellingError, match="showed no notification"):
        notify(MESSAGE)
