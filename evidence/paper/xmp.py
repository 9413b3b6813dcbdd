"""What the archive knows of one photo, as an XMP sidecar (ISO 16684-1) that any XMP reader can read.

It uses fields of Dublin Core and of the IPTC Photo Metadata Standard, and our own namespace for the rest. Stated
facets go into the fields that other programs show; guesses go only into our own `Guessed`. The same photo and claim
always give the same bytes.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from datetime import datetime
from xml.etree import ElementTree as ET

from evidence.model import Claim, Facet, FacetValue, PhotoRecord
from evidence.paper.captions import UNPRINTED, phrase, stated_and_guessed
from evidence.paper.dates import iso_offset
from evidence.tags.vocabulary import Vocabulary

RDF = "http://www.w3.org/1999/02/22-rdf-syntax-ns#"
XMPMETA = "adobe:ns:meta/"
DC = "http://purl.org/dc/elements/1.1/"
XMP_MM = "http://ns.adobe.com/xap/1.0/mm/"
PHOTOSHOP = "http://ns.adobe.com/photoshop/1.0/"
IPTC_CORE = "http://iptc.org/std/Iptc4xmpCore/1.0/xmlns/"
OWN = "urn:photo-evidence-archive:xmp:1.0#"
"""Our own namespace. An XMP namespace ends in a slash or a number sign."""

PREFIXES = {
    "x": XMPMETA, "rdf": RDF, "dc": DC, "xmpMM": XMP_MM, "photoshop": PHOTOSHOP,
    "Iptc4xmpCore": IPTC_CORE, "evidence": OWN,
}  # fmt: skip

XML_LANG = "{http://www.w3.org/XML/1998/namespace}lang"

_NO_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""Characters that XML 1.0 (production 2, Char) does not allow, not even escaped."""

for _prefix, _uri in PREFIXES.items():
    ET.register_namespace(_prefix, _uri)


def xmp_sidecar(record: PhotoRecord, claim: Claim | None, vocabulary: Vocabulary) -> bytes:
    """The sidecar of one photo, UTF-8; `claim` is None for a photo in the unassigned tray.

    `dc:title`, `dc:description` and `dc:subject` hold what is stated, `photoshop:DateCreated` the camera's own
    time with its zone if it records one, `photoshop:TransmissionReference` (IPTC: Job Id) the claim's number,
    `dc:identifier` and `xmpMM:OriginalDocumentID` the original's SHA-256.
    """
    root = ET.Element(f"{{{XMPMETA}}}xmpmeta")
    about = ET.SubElement(ET.SubElement(root, f"{{{RDF}}}RDF"), f"{{{RDF}}}Description")
    about.set(f"{{{RDF}}}about", "")
    stated, guessed = stated_and_guessed(record.tags, vocabulary)
    stated_words = phrase(stated, vocabulary)
    _language(about, DC, "title", stated_words or record.name)
    _language(about, DC, "description", _description(record, claim, stated_words))
    _array(about, DC, "subject", "Bag", _subjects(stated, vocabulary))
    _simple(about, DC, "identifier", f"sha256:{record.sha256}")
    _simple(about, XMP_MM, "OriginalDocumentID", f"sha256:{record.sha256}")
    _simple(about, PHOTOSHOP, "DateCreated", _moment(record.facts.taken_local, record.facts.offset_minutes))
    if claim is not None:
        _place(about, claim)
    _ours(about, record, vocabulary, stated, guessed)
    ET.indent(root)
    written: bytes = ET.tostring(root, encoding="utf-8", xml_declaration=True)
    return written + b"\n"


def _description(record: PhotoRecord, claim: Claim | None, stated_words: str) -> str:
    what = stated_words or "Nobody has stated what this photo shows"
    where = f"Claim {claim.claim}" if claim else "Filed under no claim"
    caption = f"{record.caption.rstrip('.')}. " if record.caption else ""
    return f"{caption}{what}. {where}, {record.name}."


def _subjects(stated: Mapping[Facet, FacetValue], vocabulary: Vocabulary) -> list[str]:
    """One keyword for each stated facet."""
    return [
        f"{value.value} hits" if facet is Facet.COUNT else vocabulary.plain(facet, value.value)
        for facet, value in stated.items()
        if (facet, value.value) not in UNPRINTED
    ]


def _place(about: ET.Element, claim: Claim) -> None:
    """The claim's number, address, country and state (ISO 3166) in the fields of IPTC."""
    _simple(about, PHOTOSHOP, "TransmissionReference", claim.claim)
    _simple(about, IPTC_CORE, "Location", claim.address)
    country, _, state = claim.jurisdiction.partition("-")
    if re.fullmatch("[A-Z]{2}", country):
        _simple(about, IPTC_CORE, "CountryCode", country)
        _simple(about, PHOTOSHOP, "State", state)


def _ours(
    about: ET.Element,
    record: PhotoRecord,
    vocabulary: Vocabulary,
    stated: Mapping[Facet, FacetValue],
    guessed: Mapping[Facet, FacetValue],
) -> None:
    _simple(about, OWN, "Name", record.name)
    _simple(about, OWN, "CardPath", record.card_path)
    _simple(about, OWN, "CameraTimeText", record.facts.taken_text or "")
    _simple(about, OWN, "Caption", record.caption)
    if record.correction:
        _simple(about, OWN, "CorrectedTime", _moment(record.corrected, None))
        _simple(about, OWN, "CorrectionReason", record.correction)
    _facets(about, "Stated", stated, vocabulary)
    _facets(about, "Guessed", guessed, vocabulary)


def _facets(about: ET.Element, name: str, values: Mapping[Facet, FacetValue], vocabulary: Vocabulary) -> None:
    """An unordered array with one structure for each facet."""
    if not values:
        return
    bag = ET.SubElement(ET.SubElement(about, f"{{{OWN}}}{name}"), f"{{{RDF}}}Bag")
    for facet, value in values.items():
        item = ET.SubElement(bag, f"{{{RDF}}}li")
        item.set(f"{{{RDF}}}parseType", "Resource")
        _simple(item, OWN, "Facet", facet.value)
        _simple(item, OWN, "Value", value.value)
        _simple(item, OWN, "Words", vocabulary.plain(facet, value.value))
        _simple(item, OWN, "Source", value.source.value)
        _simple(item, OWN, "Confidence", f"{value.confidence:.4f}")
        _simple(item, OWN, "Reason", value.reason)


def _moment(moment: datetime | None, offset: int | None) -> str:
    """ISO 8601 as in XMP part 1, 8.2.1.2; without a zone when none is known."""
    if moment is None:
        return ""
    text = moment.replace(tzinfo=None).isoformat()
    if "." in text:
        text = text.rstrip("0")
    return text if offset is None else f"{text}{iso_offset(offset)}"


# --- XML ---------------------------------------------------------------------------------


def _simple(parent: ET.Element, space: str, name: str, value: str) -> None:
    if value:
        ET.SubElement(parent, f"{{{space}}}{name}").text = _clean(value)


def _language(parent: ET.Element, space: str, name: str, value: str) -> None:
    alternatives = ET.SubElement(ET.SubElement(parent, f"{{{space}}}{name}"), f"{{{RDF}}}Alt")
    item = ET.SubElement(alternatives, f"{{{RDF}}}li")
    item.set(XML_LANG, "x-default")
    item.text = _clean(value)


def _array(parent: ET.Element, space: str, name: str, kind: str, values: Iterable[str]) -> None:
    values = list(values)
    if not values:
        return
    array = ET.SubElement(ET.SubElement(parent, f"{{{space}}}{name}"), f"{{{RDF}}}{kind}")
    for value in values:
        ET.SubElement(array, f"{{{RDF}}}li").text = _clean(value)


def _clean(text: str) -> str:
    return _NO_XML.sub("\N{REPLACEMENT CHARACTER}", text)
