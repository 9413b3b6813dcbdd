"""The photo report, read back with two PDF readers that are not ours (pypdf, PDFium)."""

from __future__ import annotations

import re
from datetime import timedelta
from pathlib import Path

import pypdf
import pypdfium2
import pytest
from PIL import Image, ImageFile
from support_report import CLAIM, MADE, START, content, coverage, drawn, item, record, tag, vocabulary

from evidence.coverage.report import Status
from evidence.errors import BadInputError
from evidence.model import CameraFacts, Claim, ClaimId, Face, Finding, MediaKind, Source
from evidence.paper.captions import caption, facing_text, group_by_walk, percent
from evidence.paper.photo_report import write_report
from evidence.paper.report_document import SignOff
from evidence.paper.report_pictures import PictureSource
from evidence.sight.request import THUMB_SIDES, thumb_path


def written(tmp_path: Path, records, report=None, **changes) -> pypdf.PdfReader:
    out = tmp_path / "report.pdf"
    write_report(content(tmp_path, records, report, **changes), out)
    return pypdf.PdfReader(out)


def texts(reader: pypdf.PdfReader) -> list[str]:
    return [" ".join(page.extract_text().split()) for page in reader.pages]


def house() -> list:
    """A walk against the clock, so that the order of shooting is not the order of the walk."""
    return [
        record(0, tag(Source.LABEL, role="divider")),
        record(1, tag(role="test_square", face="back", count="7")),
        record(2, tag(role="elevation", face="left")),
        record(3, tag(role="close_up", face="front", component="gutter", condition="damage")),
        record(4, tag(role="elevation", face="front")),
        record(5, tag(role="elevation", face="back")),
        record(6, tag(role="elevation", face="right")),
        record(7, tag(role="slope", face="front")),
        record(8, tag(role="close_up", component="ac_unit", condition="damage")),
        record(9, tag(Source.WRITING, 0.83, face="left", component="siding", condition="no_damage")),
        record(10),
    ]


# --- order and words ---------------------------------------------------------------------


def test_the_walk_goes_round_the_house_then_over_the_roof_then_to_single_things():
    groups = group_by_walk(house(), vocabulary())
    assert [(group.title, [one.order for one in group.photos]) for group in groups] == [
        ("Front elevation", [4, 3]),
        ("Right elevation", [6]),
        ("Back elevation", [5]),
        ("Left elevation", [2, 9]),
        ("Around the house", [8]),
        ("Front slope", [7]),
        ("Back slope", [1]),
        ("Photos without a tag", [10]),
        ("Claim sheets and label cards", [0]),
    ]


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ({"role": "elevation", "face": "front"}, "Front elevation"),
        ({"role": "test_square", "face": "back", "count": "7"}, "Test square, back slope: 7 hits"),
        ({"role": "close_up", "face": "front", "component": "gutter", "condition": "damage"},
         "Gutter, front side: damage, close-up"),
        ({"role": "no_damage_proof", "face": "left", "component": "screen", "condition": "no_damage"},
         "Window screen, left side: no damage"),
        ({"role": "close_up", "face": "left", "component": "shingle", "condition": "damage"},
         "Shingle, left slope: damage, close-up"),
        ({"role": "divider"}, "Claim sheet"),
        ({"role": "other", "face": "none", "condition": "unstated"}, ""),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)  # fmt: skip
def test_a_tag_is_printed_in_plain_words(values, said):
    assert caption(record(0, tag(**values)), vocabulary()).stated == said


def test_what_is_stated_and_what_is_guessed_are_two_sentences():
    tags = {**tag(face="left"), **tag(Source.WRITING, 0.999, component="siding", condition="no_damage")}
    said = caption(record(0, tags), vocabulary())
    assert said.stated == "Left side"
    assert said.guess == "guess: siding 99%, no damage 99%"


def test_a_guess_below_the_floor_is_not_shown():
    assert caption(record(0, tag(Source.WRITING, 0.1, component="siding")), vocabulary()).guess == ""


def test_no_guess_is_rounded_up_to_certainty():
    assert [percent(p) for p in (0.9999, 1.0, 0.5, 0.0)] == ["99%", "99%", "50%", "0%"]


@pytest.mark.parametrize(
    ("degrees", "point"),
    [
        (0, "north"),
        (22.4, "north"),
        (22.6, "northeast"),
        (90, "east"),
        (181, "south"),
        (270, "west"),
        (359.9, "north"),
    ],
)
def test_compass_points_are_the_eight_of_the_rose(degrees, point):
    said = facing_text(CameraFacts(direction=degrees, direction_is_true=True))
    assert said.startswith(f"Facing {point} (")
    assert said.endswith("true north)")
    assert "360" not in said


# --- the pages ---------------------------------------------------------------------------


def test_every_photo_has_its_number_its_name_and_its_sum(tmp_path):
    records = [*house(), record(11, name="TEST0012.AVI", kind=MediaKind.VIDEO)]
    everything = " ".join(texts(written(tmp_path, records)))
    for number, one in enumerate(
        (p for group in group_by_walk(records[:-1], vocabulary()) for p in group.photos), start=1
    ):
        assert re.search(rf"Photo {number} {re.escape(one.name)}", everything), one.name
        assert f"Photo {number} Photo" not in everything
    for one in records:
        assert everything.count(one.sha256) == 1
    assert "TEST0012.AVI (video)" in everything
    assert f"of {len(pypdf.PdfReader(tmp_path / 'report.pdf').pages)}" in everything


@pytest.mark.parametrize("many", [2, 4, 6])
def test_as_many_photos_a_page_as_were_asked_for(tmp_path, many):
    records = [record(order, tag(role="close_up", face="front", component="gutter")) for order in range(13)]
    reader = written(tmp_path, records, per_page=many)
    pictures = [len(page.images) for page in reader.pages if "Front elevation" in page.extract_text()[:40]]
    assert pictures == [many] * (13 // many) + [13 % many]


def test_a_number_of_photos_a_page_that_is_not_set_is_refused(tmp_path):
    with pytest.raises(BadInputError, match="Choose 2, 4 or 6"):
        written(tmp_path, house(), per_page=3)


def test_the_cover_counts_guesses_as_guesses(tmp_path):
    records = house()
    report = coverage(
        item("Whole elevation", Status.MET, Face.FRONT, photos=(records[4].sha256,), why="stated by 1 photo"),
        item("Siding", Status.GUESSED, Face.LEFT, guesses=(records[9].sha256,), why="only with guesses"),
        item("Gutter", Status.MISSING, Face.BACK),
        item("Gutter", Status.MISSING, Face.LEFT),
        item("Ridge", Status.WAIVED, why="set aside by L. Okoro: flat roof"),
        flags=(Finding(code="blurred", message="Too blurred.", subject=records[3].sha256),),
    )
    pages = texts(written(tmp_path, records, report))
    cover = pages[0]
    assert "1 shown" in cover
    assert "1 only guessed" in cover
    assert "2 missing" in cover
    assert "1 set aside" in cover
    assert (
        "Not complete: 2 required shots are missing and 1 rests on guesses that nobody has confirmed" in cover
    )
    assert "Gutter: back elevation, left elevation" in cover
    assert "Ridge: set aside by L. Okoro: flat roof" in cover
    assert "Photo 2 Too blurred." in cover
    assert "Nobody has signed this claim off" in cover
    assert "counsel decide" in cover
    index = next(page for page in pages if page.startswith("Index by required shot"))
    assert re.search(r"Siding left elevation only guessed guess: 6", index)
    assert re.search(r"Whole elevation front elevation shown 1", index)


def test_a_sign_off_names_who_when_and_the_note(tmp_path):
    sign = SignOff(by="L. Okoro", at=MADE, note="Seen twice.")
    cover = texts(written(tmp_path, house(), sign_off=sign))[0]
    assert "Signed off by L. Okoro on May 15, 2026, 12:00:00 UTC. Note: Seen twice." in cover


def test_a_corrected_time_stands_beside_the_cameras_with_its_reason(tmp_path):
    facts = CameraFacts(
        taken_text="2026:05:14 08:00:00", taken_local=START - timedelta(hours=1), offset_minutes=-300
    )
    one = record(
        0, tag(role="elevation", face="front"), facts=facts, corrected=START, correction="an hour behind"
    )
    pages = texts(written(tmp_path, [one]))
    both = "May 14, 2026, 08:00:00 (UTC-05:00), camera's clock"
    for page in (pages[1], pages[-1]):
        assert both in page
        assert "Corrected: May 14, 2026, 09:00:00, because: an hour behind" in page
    assert "1 photo has a corrected time" in pages[0]
    assert "UTC-05:00 by the camera" in pages[0]


def test_bookmarks_and_index_lead_to_the_page_of_the_photo(tmp_path):
    records = house()
    report = coverage(item("Gutter", Status.MET, Face.FRONT, photos=(records[3].sha256,)))
    reader = written(tmp_path, records, report)
    top = [one for one in reader.outline if not isinstance(one, list)]
    assert [one.title for one in top][:3] == ["Summary", "Front elevation", "Right elevation"]
    assert [one.title for one in top][-3:] == [
        "Contact sheet, as the photos were taken", "Index by required shot", "Appendix: the originals",
    ]  # fmt: skip
    under_front = reader.outline[reader.outline.index(top[1]) + 1]
    assert len(under_front) == 2
    for number, mark in enumerate(under_front, start=1):
        page = reader.pages[reader.get_destination_page_number(mark)]
        assert f"Photo {number}" in page.extract_text()
    index = next(page for page in reader.pages if page.extract_text().startswith("Index"))
    (link,) = index["/Annots"]
    aim = link.get_object()["/Dest"][0]
    target = next(page for page in reader.pages if page.indirect_reference == aim)
    assert "Photo 2" in target.extract_text()


# --- pictures ----------------------------------------------------------------------------


def test_a_photo_without_a_thumbnail_is_taken_upright_from_its_original(tmp_path):
    exif = Image.Exif()
    exif[0x0112] = 6  # the camera was held upright: turn by 90 degrees clockwise (EXIF 2.32, Orientation)
    path = tmp_path / "original.jpg"
    drawn(1, (800, 600)).save(path, "JPEG", exif=exif)
    one = record(0, tag(role="elevation", face="front"), facts=CameraFacts(orientation=6))
    source = PictureSource(thumbs=tmp_path / "none", original=lambda _sha: path)
    image = written(tmp_path, [one], pictures=source).pages[1].images[0].image.convert("RGB")
    assert image.size == (600, 800)
    red, green, _ = image.getpixel((590, 10))
    assert red > 180, "the red corner is now at the top right"
    assert green < 60
    assert image.getpixel((10, 10))[1] > 30


def test_no_original_is_decoded_in_the_process_that_writes_the_report(tmp_path, monkeypatch):
    path = tmp_path / "original.png"
    drawn(1, (2000, 1500)).save(path)
    opened: list[tuple[int, int]] = []
    load = ImageFile.ImageFile.load

    def noted(image, *args, **kwargs):
        opened.append(image.size)
        return load(image, *args, **kwargs)

    monkeypatch.setattr(ImageFile.ImageFile, "load", noted)
    for thumbs in (tmp_path / "none", tmp_path / "damaged"):
        one = record(0, tag(role="elevation", face="front"))
        if thumbs.name == "damaged":
            for side in THUMB_SIDES:
                place = thumb_path(thumbs, one.sha256, side)
                place.parent.mkdir(parents=True, exist_ok=True)
                place.write_bytes(path.read_bytes()[:300])
        source = PictureSource(thumbs=thumbs, original=lambda _sha: path)
        done = write_report(content(tmp_path, [one], pictures=source), tmp_path / "report.pdf")
        assert done.without_picture == ()
        assert opened
        assert max(max(size) for size in opened) <= max(THUMB_SIDES), thumbs.name


def test_an_original_that_needs_more_memory_than_the_setting_has_a_frame(tmp_path):
    path = tmp_path / "original.bmp"
    Image.new("RGB", (4000, 4000)).save(path)
    one = record(0, tag(role="elevation", face="front"))
    source = PictureSource(thumbs=tmp_path / "none", original=lambda _sha: path, memory_mb=100)
    done = write_report(content(tmp_path, [one], pictures=source), tmp_path / "report.pdf")
    assert done.without_picture == (one.sha256,)


def test_a_damaged_thumbnail_is_not_printed_and_a_lost_photo_has_a_frame(tmp_path):
    one = record(0, tag(role="elevation", face="front"))
    made = content(tmp_path, [one])
    for path in (tmp_path / "thumbs").rglob("*.jpg"):
        path.write_bytes(path.read_bytes()[:900])
    out = tmp_path / "report.pdf"
    done = write_report(made, out)
    assert done.without_picture == (one.sha256,)
    assert "No picture could be read from this file." in " ".join(texts(pypdf.PdfReader(out)))


# --- bad input ---------------------------------------------------------------------------

HOSTILE = [
    "\x00\x01\x1b[31m\r\nA\u2028B", "\u202eelohssa \u200f\u05d0\u05d1\u05d2", "W" * 900, "word " * 400,
    "%PDF-1.4 (unbalanced \\ ) << >> {nb}", "\ud800 lone", "e\u0301 \U0001f3e0 \u4e2d", "",
    "\u00ad\u00ad\u00ad\u00ad\u00ad",
]  # fmt: skip


def test_hostile_strings_neither_stop_the_report_nor_leave_the_page(tmp_path):
    records = [
        record(
            order, tag(Source.WRITING, 0.9, component="gutter", face="front"), name=text or "x",
            facts=CameraFacts(taken_text=text, make=text, model=text, serial=text), correction=text,
        )
        for order, text in enumerate(HOSTILE)
    ]  # fmt: skip
    long = HOSTILE[3]
    claim = Claim(claim=ClaimId("W" * 300), insured=HOSTILE[0] + HOSTILE[2], address=HOSTILE[1], peril=long)
    flags = tuple(Finding(code="x", message=text, subject=records[0].sha256) for text in HOSTILE)
    report = coverage(item(HOSTILE[2], Status.MISSING), item("b", Status.WAIVED, why=long), flags=flags)
    out = tmp_path / "report.pdf"
    sign = SignOff(by=HOSTILE[2], at=MADE, note=HOSTILE[0])
    write_report(
        content(tmp_path, records, report, claim=claim, per_page=4, made_by=HOSTILE[2], sign_off=sign), out
    )
    pdf = pypdfium2.PdfDocument(out)
    checked = 0
    for page in pdf:
        text = page.get_textpage()
        checked += text.count_chars()
        for place in range(0, text.count_chars(), 7):
            left, bottom, right, top = text.get_charbox(place)
            assert left >= -1
            assert right <= 8.5 * 72 + 1
            assert bottom >= -1
            assert top <= 11 * 72 + 1
    assert checked > 10_000
    assert "\x1b" not in " ".join(texts(pypdf.PdfReader(out)))


@pytest.mark.parametrize("where", ["missing/report.pdf", "folder"])
def test_a_bad_destination_is_one_line_and_leaves_nothing(tmp_path, where):
    (tmp_path / "folder").mkdir()
    made = content(tmp_path, [record(0)])
    with pytest.raises(BadInputError) as trouble:
        write_report(made, tmp_path / where)
    assert "\n" not in str(trouble.value)
    assert not list(tmp_path.glob("**/*.part"))


def test_a_claim_without_photos_has_no_report(tmp_path):
    with pytest.raises(BadInputError, match="has no photos"):
        written(tmp_path, [record(0, kind=MediaKind.SOUND)])


# --- PDF/A -------------------------------------------------------------------------------


def test_the_file_keeps_what_pdf_a_2b_asks_for_as_far_as_a_reader_can_see(tmp_path):
    """ISO 19005-2: 6.1.3 (file identifier, no encryption), 6.2.3 (output intent), 6.2.11.4 (fonts embedded),
    6.3.2 (annotations print), 6.6.1 (no actions that run), 6.6.4 (XMP names part and level). Clauses from memory;
    this is no full validation.
    """
    records = house()
    report = coverage(item("Gutter", Status.MET, Face.FRONT, photos=(records[3].sha256,)))
    reader = written(tmp_path, records, report)
    assert not reader.is_encrypted
    assert len(reader.trailer["/ID"]) == 2
    root = reader.root_object
    xmp = root["/Metadata"].get_data().decode()
    for said in ("pdfaid:part>2<", "pdfaid:conformance>B<", f"Photo report, claim {CLAIM.claim}"):
        assert said in xmp
    (intent,) = root["/OutputIntents"]
    assert intent["/S"] == "/GTS_PDFA1"
    assert intent["/DestOutputProfile"].get_data()[36:40] == b"acsp"
    assert not {"/AA", "/JavaScript"} & set(root)
    assert isinstance(root["/OpenAction"], list), "a place to open at, not an action"
    links = images = 0
    for page in reader.pages:
        assert "/AA" not in page
        for font in page["/Resources"].get("/Font", {}).values():
            descriptor = font["/DescendantFonts"][0].get_object()["/FontDescriptor"]
            assert "/FontFile2" in descriptor
            assert "/ToUnicode" in font
        for note in page.get("/Annots", []):
            links += 1
            flags = note.get_object()["/F"]
            assert note.get_object()["/Subtype"] == "/Link"
            assert flags & 4
            assert not flags & 0b100011
        for image in page["/Resources"].get("/XObject", {}).values():
            images += 1
            assert "/SMask" not in image
            assert image["/Filter"] == "/DCTDecode"
    assert links >= len(records)
    assert images >= len(records)
