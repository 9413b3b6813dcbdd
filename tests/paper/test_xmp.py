"""XMP sidecars, read with an RDF library that is not ours (rdflib) after a hardened XML parser (defusedxml).

XMP is RDF/XML inside x:xmpmeta (ISO 16684-1, 7.4). Field names: IPTC Photo Metadata Standard 2023.1, Dublin Core.
"""

from __future__ import annotations

from datetime import datetime
from xml.etree import ElementTree as ET

import pytest
from defusedxml import ElementTree as SafeET
from hypothesis import given, settings
from hypothesis import strategies as st
from rdflib import RDF, Graph, Literal, Namespace, URIRef
from support_report import CLAIM, START, record, tag, vocabulary

from evidence.model import CameraFacts, Claim, ClaimId, Source
from evidence.paper.xmp import xmp_sidecar

DC = Namespace("http://purl.org/dc/elements/1.1/")
PHOTOSHOP = Namespace("http://ns.adobe.com/photoshop/1.0/")
IPTC = Namespace("http://iptc.org/std/Iptc4xmpCore/1.0/xmlns/")
MM = Namespace("http://ns.adobe.com/xap/1.0/mm/")
OWN = Namespace("urn:photo-evidence-archive:xmp:1.0#")
PHOTO = URIRef("urn:the-photo")
VOCABULARY = vocabulary()


def read(data: bytes) -> Graph:
    root = SafeET.fromstring(data)
    assert root.tag == "{adobe:ns:meta/}xmpmeta"
    (rdf,) = list(root)
    return Graph().parse(data=ET.tostring(rdf), format="xml", publicID=str(PHOTO))


def only(graph: Graph, field: URIRef) -> str:
    (value,) = graph.objects(PHOTO, field)
    return str(value)


def listed(graph: Graph, field: URIRef) -> list:
    """The members of an rdf:Bag or rdf:Alt."""
    (array,) = graph.objects(PHOTO, field)
    places = [p for p in graph.predicates(array) if str(p).startswith(f"{RDF}_")]
    return [graph.value(array, p) for p in sorted(places, key=lambda p: int(str(p).rpartition("_")[2]))]


def facets(graph: Graph, field: URIRef) -> dict[str, dict[str, str]]:
    if not list(graph.objects(PHOTO, field)):
        return {}
    found = [
        {str(p).rpartition("#")[2]: str(o) for p, o in graph.predicate_objects(one)}
        for one in listed(graph, field)
    ]
    return {one.pop("Facet"): one for one in found}


def test_another_reader_finds_what_is_stated_in_the_standard_fields():
    tags = tag(Source.LABEL, role="test_square", face="front", count="9", condition="damage")
    one = record(3, tags)
    graph = read(xmp_sidecar(one, CLAIM, VOCABULARY))
    assert listed(graph, DC.title) == [Literal("Test square, front slope: 9 hits, damage", lang="x-default")]
    assert "Claim HT-2044, TEST0004.JPG." in str(listed(graph, DC.description)[0])
    assert {str(word) for word in listed(graph, DC.subject)} == {"test square", "front", "9 hits", "damage"}
    assert only(graph, DC.identifier) == f"sha256:{one.sha256}" == only(graph, MM.OriginalDocumentID)
    assert only(graph, PHOTOSHOP.TransmissionReference) == "HT-2044"
    assert only(graph, IPTC.Location) == "9 Marl Court, Tarn Bluff, KS"
    assert (only(graph, IPTC.CountryCode), only(graph, PHOTOSHOP.State)) == ("US", "KS")
    assert facets(graph, OWN.Stated)["count"] == {
        "Value": "9", "Words": "9", "Source": "label", "Confidence": "1.0000", "Reason": "count said so",
    }  # fmt: skip
    assert facets(graph, OWN.Guessed) == {}


def test_a_guess_reaches_no_field_that_other_programs_show():
    tags = {**tag(face="left"), **tag(Source.WRITING, 0.97, component="siding", condition="no_damage")}
    graph = read(xmp_sidecar(record(0, tags), CLAIM, VOCABULARY))
    assert [str(word) for word in listed(graph, DC.subject)] == ["left"]
    assert [str(title) for title in listed(graph, DC.title)] == ["Left side"]
    for subject, field, value in graph:
        if subject == PHOTO and not str(field).startswith(str(OWN)):
            assert "siding" not in str(value)
    guessed = facets(graph, OWN.Guessed)
    assert set(guessed) == {"component", "condition"}
    assert guessed["component"]["Source"] == "writing"
    assert guessed["component"]["Confidence"] == "0.9700"
    assert set(facets(graph, OWN.Stated)) == {"face"}


@pytest.mark.parametrize(
    ("taken", "offset", "said"),
    [
        (datetime(2026, 5, 14, 9, 0, 0), None, "2026-05-14T09:00:00"),
        (datetime(2026, 5, 14, 9, 0, 0, 630000), None, "2026-05-14T09:00:00.63"),
        (datetime(2026, 5, 14, 9, 0, 0), -300, "2026-05-14T09:00:00-05:00"),
        (datetime(2026, 5, 14, 9, 0, 0), 345, "2026-05-14T09:00:00+05:45"),
    ],
    ids=["no zone", "fraction", "west", "quarter hours east"],
)
def test_the_cameras_time_is_kept_as_recorded(taken, offset, said):
    facts = CameraFacts(taken_text="as it stands", taken_local=taken, offset_minutes=offset)
    one = record(0, facts=facts, corrected=START, correction="an hour behind")
    graph = read(xmp_sidecar(one, CLAIM, VOCABULARY))
    assert only(graph, PHOTOSHOP.DateCreated) == said
    assert only(graph, OWN.CameraTimeText) == "as it stands"
    assert only(graph, OWN.CorrectedTime) == "2026-05-14T09:00:00"
    assert only(graph, OWN.CorrectionReason) == "an hour behind"


def test_an_unknown_time_or_place_gets_no_field():
    graph = read(
        xmp_sidecar(record(0, facts=CameraFacts(taken_text="    :  :  "), corrected=None), None, VOCABULARY)
    )
    for field in (
        PHOTOSHOP.DateCreated,
        IPTC.Location,
        PHOTOSHOP.TransmissionReference,
        DC.subject,
        OWN.CorrectedTime,
    ):
        assert not list(graph.objects(PHOTO, field))
    assert [str(title) for title in listed(graph, DC.title)] == ["TEST0001.JPG"]


ANY = st.text(st.characters(), max_size=40)  # control characters and lone surrogates too


@settings(max_examples=60, deadline=None)
@given(text=ANY, reason=ANY)
def test_any_text_gives_the_same_well_formed_bytes_twice(text, reason):
    facts = CameraFacts(taken_text=text)
    one = record(0, tag(component=text), name=text or "x", facts=facts, corrected=START, correction=reason)
    claim = Claim(claim=ClaimId(text), address=text, jurisdiction=text)
    data = xmp_sidecar(one, claim, VOCABULARY)
    assert data == xmp_sidecar(one, claim, VOCABULARY)
    read(data)


def test_a_caption_that_a_person_wrote_stands_first_in_the_description():
    """IPTC Photo Metadata Standard 2023.2: Description (Caption) is dc:description."""
    seen = record(0, tag(face="front", component="gutter"), caption="Dent, 20 mm.")
    graph = read(xmp_sidecar(seen, CLAIM, VOCABULARY))
    (words,) = listed(graph, DC.description)
    assert str(words).startswith("Dent, 20 mm. Gutter, front side. Claim HT-2044")
    assert only(graph, OWN.Caption) == "Dent, 20 mm."
    without = read(xmp_sidecar(record(0, tag(face="front", component="gutter")), CLAIM, VOCABULARY))
    assert not list(without.objects(PHOTO, OWN.Caption))
