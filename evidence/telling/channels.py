"""The ways to send a message: desktop notification, e-mail over TLS, HTTPS POST. Each raises TellingError."""

from __future__ import annotations

import asyncio
import json
import smtplib
import ssl
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from email.message import EmailMessage
from email.utils import formatdate, make_msgid
from http.client import HTTPException, HTTPSConnection
from typing import Any
from urllib.parse import urlsplit

from evidence.archive.passwords import password_for
from evidence.errors import TellingError
from evidence.settings import EmailSettings, TellSettings

TIMEOUT_S = 20.0
"""Seconds that a server may take for one answer."""
APP = "Photo evidence archive"


@dataclass(frozen=True, slots=True, kw_only=True)
class CardMessage:
    """What is sent about one card. Subject and text are one line each."""

    subject: str
    text: str
    data: Mapping[str, Any]
    """For programs; a webhook gets it as JSON."""


Send = Callable[[CardMessage], None]


def channels(tell: TellSettings) -> dict[str, Send]:
    """The ways that the settings name, by the words that reports use for them."""
    ways: dict[str, Send] = {}
    if tell.desktop:
        ways["desktop notification"] = notify
    if tell.email.server:
        ways["e-mail"] = lambda message: send_email(tell.email, message)
    if tell.webhook:
        ways["webhook"] = lambda message: post(tell.webhook, message)
    return ways


def notify(message: CardMessage) -> None:
    """Show a notification on this computer's desktop."""
    from desktop_notifier import DesktopNotifier  # noqa: PLC0415 - loads the desktop's own libraries

    shown: list[bool] = []

    async def show() -> None:
        notifier = DesktopNotifier(app_name=APP)
        await asyncio.wait_for(
            notifier.send(
                title=message.subject, message=message.text, on_dispatched=lambda: shown.append(True)
            ),
            TIMEOUT_S,
        )

    try:
        asyncio.run(show())
    except Exception as trouble:  # each desktop's library raises its own errors
        raise TellingError(
            f"This computer showed no notification ({type(trouble).__name__}).", _DESKTOP
        ) from trouble
    if not shown:
        raise TellingError("This computer showed no notification.", _DESKTOP)


_DESKTOP = "Log in to a desktop that shows notifications, or set desktop = false in [tell]."


def send_email(email: EmailSettings, message: CardMessage) -> None:
    """Send the message by e-mail over TLS; the server's certificate must be valid for its name."""
    mail = EmailMessage()
    mail["Subject"], mail["From"], mail["To"] = message.subject, email.sender, ", ".join(email.to)
    mail["Date"], mail["Message-ID"] = formatdate(localtime=True), make_msgid(domain="evidence.invalid")
    mail.set_content(message.text + "\n")
    context = ssl.create_default_context()
    password = password_for(email.server, email.user, email.password_file) if email.user else ""
    try:
        with _connected(email, context) as server:
            if email.user:
                server.login(email.user, password)
            refused = server.send_message(mail)
    except ssl.SSLError as trouble:
        raise TellingError(
            f"{email.server} gave no valid certificate: {_tls_reason(trouble)}.", _EMAIL
        ) from None
    except smtplib.SMTPAuthenticationError:
        raise TellingError(f"{email.server} refused the password of {email.user}.", _EMAIL) from None
    except smtplib.SMTPException as trouble:
        raise TellingError(f"{email.server} took no message: {type(trouble).__name__}.", _EMAIL) from None
    except OSError as trouble:
        raise TellingError(f"{email.server} cannot be reached: {_reason(trouble)}.", _EMAIL) from None
    if refused:
        raise TellingError(f"{email.server} refused {', '.join(sorted(refused))}.", _EMAIL)


def _connected(email: EmailSettings, context: ssl.SSLContext) -> smtplib.SMTP:
    if email.security == "tls":
        return smtplib.SMTP_SSL(email.server, email.port, timeout=TIMEOUT_S, context=context)
    server = smtplib.SMTP(email.server, email.port, timeout=TIMEOUT_S)
    try:
        server.starttls(
            context=context
        )  # refuses a server without TLS: no password and no text goes in clear
    except BaseException:
        server.close()
        raise
    return server


_EMAIL = "Check [tell.email] in the settings; `evidence tell test` tries it."


def post(address: str, message: CardMessage) -> None:
    """POST the message as JSON over HTTPS. Redirects are not followed. The address is never shown: it may be a secret."""
    url = urlsplit(address)
    host = url.hostname or ""
    body = json.dumps({"text": message.text, **message.data}, ensure_ascii=False).encode()
    path = (url.path or "/") + (f"?{url.query}" if url.query else "")
    connection = HTTPSConnection(
        host, url.port or 443, timeout=TIMEOUT_S, context=ssl.create_default_context()
    )
    try:
        connection.request("POST", path, body, {"Content-Type": "application/json"})
        status = connection.getresponse().status
    except ssl.SSLError as trouble:
        raise TellingError(f"{host} gave no valid certificate: {_tls_reason(trouble)}.", _WEBHOOK) from None
    except (OSError, HTTPException) as trouble:
        raise TellingError(f"{host} cannot be reached: {_reason(trouble)}.", _WEBHOOK) from None
    finally:
        connection.close()
    if not 200 <= status < 300:
        raise TellingError(f"{host} answered the webhook with status {status}.", _WEBHOOK)


_WEBHOOK = "Check webhook in [tell] of the settings; `evidence tell test` tries it."


def _tls_reason(trouble: ssl.SSLError) -> str:
    return getattr(trouble, "verify_message", "") or trouble.reason or "TLS failed"


def _reason(trouble: Exception) -> str:
    return getattr(trouble, "strerror", None) or type(trouble).__name__
