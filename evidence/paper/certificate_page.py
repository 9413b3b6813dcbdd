"""The certificate of a purge as a PDF: it loads the libraries that set a page."""

from __future__ import annotations

import hashlib

from evidence.paper.certificate import (
    COUNSEL,
    REMAINS,
    STATEMENT,
    TRUST,
    Person,
    PurgeCertificate,
    acted,
    certificate_text,
    fields_of,
    lists_of,
    printable_line,
)
from evidence.paper.page_writer import GREY, MARGIN, PALE, WARN, WIDTH, PageWriter
from evidence.paper.typesetting import BOLD, LETTER, open_pdf


def certificate_pdf(certificate: PurgeCertificate) -> bytes:
    """The certificate as a PDF/A-2b with the digest of its text."""
    text = certificate_text(certificate)
    title = f"Certificate of file deletion, claim {printable_line(certificate.claim)[:80]}"
    with open_pdf([text], title=title, standard="PDF/A-2B") as pdf:
        pdf.set_lang("en-US")
        pdf.set_creation_date(certificate.verified)
        writer = PageWriter(pdf)
        digest = hashlib.sha256(text.encode()).hexdigest()

        def footer() -> None:
            writer.text(f"sha256 of the text file: {digest}", MARGIN, LETTER[1] - 0.5, size=7.5, colour=GREY)

        pdf.footer = footer  # type: ignore[method-assign]
        writer.new_page()
        _draw(writer, certificate)
        return bytes(pdf.output())


def _draw(writer: PageWriter, c: PurgeCertificate) -> None:
    writer.y = 0.6
    writer.flow("Certificate of file deletion", size=18, style=BOLD, after=0.1)
    writer.flow(STATEMENT, after=0.1)
    for name, value in fields_of(c):
        writer.ensure_room(0.2)
        writer.text(name, MARGIN, writer.y, size=9.5, style=BOLD)
        writer.flow(printable_line(value), x=MARGIN + 1.15, width=WIDTH - 1.15, after=0.02)
    writer.y += 0.08
    writer.flow(COUNSEL, colour=WARN, after=0.08)
    writer.flow(REMAINS, after=0.08)
    if c.on_trust:
        writer.flow(TRUST, colour=WARN, after=0.08)
    for title, said, items, empty in lists_of(c):
        writer.heading(f"{title}: {len(items)}")
        if said:
            writer.flow(said, colour=WARN, after=0.06)
        for item in items or [empty]:
            writer.flow(printable_line(item), x=MARGIN + 0.15, width=WIDTH - 0.15)
    writer.heading("People")
    for person in c.people:
        _draw_person(writer, person)


def _draw_person(writer: PageWriter, person: Person) -> None:
    writer.ensure_room(1.05)
    writer.flow(acted(person), style=BOLD)
    for names in (("Title", "Location", "Contact"), ("Signature", "Date")):
        writer.y += 0.24
        width = WIDTH / len(names)
        for number, name in enumerate(names):
            x = MARGIN + number * width
            end = writer.text(name, x, writer.y, size=8.5, colour=GREY)
            writer.rule(end + 0.06, writer.y + 0.14, x + width - end - 0.2, weight=0.008, colour=PALE)
    writer.y += 0.34
