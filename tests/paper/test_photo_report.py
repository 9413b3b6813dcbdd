"""The photo report, read back with two PDF readers that are not ours (pypdf, PDFium)."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pypdf
import pypdfium2
import pytest
from PIL import Image, ImageFile
from pypdf.generic import ContentStream
from support_report import CLAIM, MADE, START, content, coverage, drawn, item, record, tag, vocabulary

from evidence.coverage.report import Status
from evidence.errors import BadInputError
from evidence.model import CameraFacts, Claim, ClaimId, Face, Finding, MediaKind, Source
from evidence.paper.captions import caption, facing_text, group_by_walk
from evidence.paper.photo_report import write_report
from evidence.paper.report_document import Letterhead, ReportOptions, SignOff
from evidence.paper.report_pictures import PictureSource, size_of
from evidence.plan.surfaces import FACES
from evidence.sight.reduced import reduced
from evidence.sight.request import THUMB_SIDES, ReduceRequest, thumb_path


def written(tmp_path: Path, records, report=None, **changes) -> pypdf.PdfReader:
    out = tmp_path / "report.pdf"
    write_report(content(tmp_path, records, report, **changes), out)
    return pypdf.PdfReader(out)


def pictures_of(reader: pypdf.PdfReader) -> list:
    return [image for page in reader.pages for image in page.images]


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
        ("Left elevation", [2]),
        ("Around the house", [8]),
        ("Front slope", [7]),
        ("Back slope", [1]),
        ("Not yet reviewed", [9]),
        ("Photos without a tag", [10]),
        ("Divider sheets and label cards", [0]),
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


def test_in_a_signed_claim_no_photo_is_not_yet_reviewed_and_no_guess_is_printed(tmp_path):
    groups = group_by_walk(house(), vocabulary(), signed=True)
    assert [group.title for group in groups][-3:-1] == ["Further photos", "Photos without a tag"]
    sign = SignOff(by="L. Okoro", at=MADE)
    report = coverage(item("Siding", Status.GUESSED, Face.LEFT, guesses=(house()[9].sha256,)))
    everything = " ".join(texts(written(tmp_path, house(), report, sign_off=sign)))
    assert "Not yet reviewed" not in everything
    assert "guess: siding" not in everything
    assert "guess: 9" not in everything
    assert "Further photos" in everything


def test_a_written_caption_stands_before_the_tags(tmp_path):
    one = record(
        0, tag(role="close_up", face="front", component="gutter"), caption="Dent, 20 mm, ruler beside it"
    )
    page = next(page for page in texts(written(tmp_path, [one])) if page.startswith("Front elevation"))
    assert page.index("Dent, 20 mm, ruler beside it") < page.index("Gutter, front side: close-up")


# --- the pages ---------------------------------------------------------------------------


def test_every_photo_has_its_number_its_name_and_its_sum(tmp_path):
    records = [*house(), record(11, name="TEST0012.AVI", kind=MediaKind.VIDEO)]
    everything = " ".join(texts(written(tmp_path, records, options=ReportOptions(sheets=True))))
    for number, one in enumerate(
        (p for group in group_by_walk(records[:-1], vocabulary()) for p in group.photos), start=1
    ):
        assert re.search(rf"Photo {number} {re.escape(one.name)}", everything), one.name
        assert f"Photo {number} Photo" not in everything
    for one in records:
        assert everything.count(one.sha256) == 1
    assert everything.count("TEST0001.JPG") == 2, "a sheet's photo is printed when it is asked for"
    assert "TEST0012.AVI (video)" in everything
    assert f"of {len(pypdf.PdfReader(tmp_path / 'report.pdf').pages)}" in everything


@pytest.mark.parametrize("many", [2, 4, 6])
def test_as_many_photos_a_page_as_were_asked_for(tmp_path, many):
    records = [record(order, tag(role="close_up", face="front", component="gutter")) for order in range(13)]
    reader = written(tmp_path, records, options=ReportOptions(per_page=many))
    pictures = [len(page.images) for page in reader.pages if "Front elevation" in page.extract_text()[:40]]
    assert pictures == [many] * (13 // many) + [13 % many]


def test_a_number_of_photos_a_page_that_is_not_set_is_refused(tmp_path):
    with pytest.raises(BadInputError, match="Choose 2, 4 or 6"):
        written(tmp_path, house(), options=ReportOptions(per_page=3))


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
    assert "Nobody has signed this claim off" in cover
    assert "counsel decide" in cover
    assert "Photo 2 Too blurred." in " ".join(pages[:2])
    index = next(page for page in pages if "Index by required shot" in page)
    assert re.search(r"Siding left elevation only guessed guess: 9", index)
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
    photo = next(page for page in pages if page.startswith("Front elevation"))
    assert both in photo
    assert "2026-05-14 08:00:00 UTC-05:00" in pages[-1]
    for page in (photo, pages[-1]):
        assert "Corrected: May 14, 2026, 09:00:00, because: an hour behind" in page
    assert "1 photo has a corrected time" in pages[0]
    assert "UTC-05:00 by the camera" in pages[0]


def test_bookmarks_and_index_lead_to_the_page_of_the_photo(tmp_path):
    records = house()
    report = coverage(item("Gutter", Status.MET, Face.FRONT, photos=(records[3].sha256,)))
    reader = written(tmp_path, records, report)
    top = [one for one in reader.outline if not isinstance(one, list)]
    titles = [one.title for one in top]
    assert titles[:4] == ["Summary", "The house at a glance", "Front elevation", "Right elevation"]
    assert titles[-2:] == ["Index by required shot", "Appendix: the originals"]
    under_front = reader.outline[reader.outline.index(top[2]) + 1]
    assert len(under_front) == 2
    for number, mark in enumerate(under_front, start=1):
        page = reader.pages[reader.get_destination_page_number(mark)]
        assert f"Photo {number}" in page.extract_text()
    index = next(page for page in reader.pages if "Index by required shot" in page.extract_text())
    heights: list[float] = []

    def note_height(text: str, _: list[float], matrix: list[float], *__: object) -> None:
        if text.startswith("Gutter"):
            heights.append(matrix[5])

    index.extract_text(visitor_text=note_height)
    (height,) = heights
    links = [one.get_object() for one in index["/Annots"]]
    (link,) = (one for one in links if one["/Rect"][1] <= height <= one["/Rect"][3])
    target = next(page for page in reader.pages if page.indirect_reference == link["/Dest"][0])
    assert "Photo 2" in target.extract_text()


# --- pictures ----------------------------------------------------------------------------


def test_a_photo_without_a_thumbnail_is_taken_upright_from_its_original(tmp_path):
    exif = Image.Exif()
    exif[0x0112] = 6  # the camera was held upright: turn by 90 degrees clockwise (EXIF 2.32, Orientation)
    path = tmp_path / "original.jpg"
    drawn(1, (800, 600)).save(path, "JPEG", exif=exif)
    one = record(0, tag(role="elevation", face="front"), facts=CameraFacts(orientation=6))
    source = PictureSource(thumbs=tmp_path / "none", original=lambda _sha: path)
    image = pictures_of(written(tmp_path, [one], pictures=source))[-1].image.convert("RGB")
    assert image.size == (600, 800)
    red, green, _ = image.getpixel((590, 10))
    assert red > 180, "the red corner is now at the top right"
    assert green < 60
    assert image.getpixel((10, 10))[1] > 30


@pytest.mark.usefixtures("look_processes")
@pytest.mark.parametrize("cache", ["whole", "none", "damaged"])
def test_no_picture_is_decoded_in_the_process_that_writes_the_report(tmp_path, monkeypatch, cache):
    path = tmp_path / "original.png"
    drawn(1, (2000, 1500)).save(path)
    one = record(0, tag(role="elevation", face="front"))
    made = content(tmp_path, [one])
    thumbs = tmp_path / "thumbs"
    for place in thumbs.rglob("*.jpg"):
        if cache == "none":
            place.unlink()
        elif cache == "damaged":
            place.write_bytes(place.read_bytes()[:300])
    decoded: list[tuple[int, int]] = []
    load = ImageFile.ImageFile.load

    def noted(image, *args, **kwargs):
        decoded.append(image.size)
        return load(image, *args, **kwargs)

    monkeypatch.setattr(ImageFile.ImageFile, "load", noted)
    made = replace(made, pictures=PictureSource(thumbs=thumbs, original=lambda _sha: path))
    done = write_report(made, tmp_path / "report.pdf")
    assert done.without_picture == ()
    assert decoded == []
    Image.open(path).load()
    assert decoded == [(2000, 1500)], "a picture that is decoded here is noted"


def test_a_file_in_the_cache_that_is_too_large_for_a_thumbnail_is_not_decoded(tmp_path):
    one = record(0, tag(role="elevation", face="front"))
    place = thumb_path(tmp_path, one.sha256, max(THUMB_SIDES))
    place.parent.mkdir()
    Image.new("RGB", (4000, 3000)).save(place, "JPEG")
    request = ReduceRequest(thumb_dir=tmp_path, sha256=one.sha256, side=1400)
    assert reduced(request) is None
    Image.new("RGB", (1280, 960)).save(place, "JPEG")
    assert reduced(request) == place.read_bytes()
    assert size_of(reduced(replace(request, side=640))) == (640, 480)


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
        content(
            tmp_path,
            records,
            report,
            claim=claim,
            options=ReportOptions(per_page=4),
            made_by=HOSTILE[2],
            sign_off=sign,
        ),
        out,
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
    assert images >= len(records) - 1, "the divider sheet is listed only"


# --- what one would send -----------------------------------------------------------------

FULL_CLAIM = replace(
    CLAIM, policy_number="P-778", carrier="Elder Mutual", adjuster="A. Quill", inspector="B. Tarn",
    inspection_start=START - timedelta(minutes=30), inspection_end=START + timedelta(minutes=1),
)  # fmt: skip


def test_the_cover_names_the_policy_the_people_and_the_planned_inspection(tmp_path):
    cover = texts(written(tmp_path, house(), claim=FULL_CLAIM))[0]
    for words in (
        "Policy number P-778", "Carrier Elder Mutual", "Adjuster A. Quill", "Inspector B. Tarn",
        "Inspection planned May 14, 2026, 08:30 to 09:01, local time",
        "7 photos were taken outside it",
    ):  # fmt: skip
        assert words in cover
    assert "Policy number not given" in texts(written(tmp_path, house()))[0]


def test_sheets_label_cards_and_left_out_photos_are_listed_and_not_printed(tmp_path):
    records = house()
    reader = written(tmp_path, records, left_out=frozenset({records[5].sha256}))
    pages = texts(reader)
    assert (
        "9 photos printed; 1 photo of divider sheets and label cards listed only; 1 photo left out"
        in pages[0]
    )
    assert "Divider sheets and label cards" not in " ".join(pages[1:])
    assert "Back elevation" not in [page[:14] for page in pages]
    assert records[0].sha256 in pages[-1]
    assert "left out: a nearly equal photo is printed" in pages[-1]


def test_hits_are_those_stated_and_a_count_from_pixels_is_marked_as_a_proposal(tmp_path):
    records = [
        record(0, tag(role="test_square", face="front", count="7")),
        record(1, tag(role="test_square", face="back") | tag(Source.PIXELS, 0.9, count="5")),
    ]
    page = texts(written(tmp_path, records))[1]
    assert "Front slope: 7 hits, photo 1." in page
    assert "Back slope: no number stated (proposal of the program, not reviewed: 5), photo 2." in page


def test_the_summary_lists_components_measurements_and_what_is_proved_undamaged(tmp_path):
    records = [
        record(0, tag(component="gutter", face="front", condition="damage")),
        record(1, tag(component="gutter", face="left", condition="no_damage")),
        record(2, tag(component="siding", face="front", condition="no_damage")),
        record(3, tag(component="pitch_gauge", role="measurement"), caption="7 in 12"),
    ]
    page = texts(written(tmp_path, records))[1]
    assert "Gutter damage 1 no damage 3" in page
    assert "Proved undamaged where photographed: gutter (left), siding (front)." in page
    assert re.search("Measurements 7 in 12: photo 4", page)
    assert "Orientation only, no measurement" in page


def test_the_complete_walk_of_55_photos_takes_at_most_30_pages(tmp_path):
    records = [
        record(n, tag(role="close_up", face=face, component=component, condition="damage"))
        for n, (face, component) in enumerate(
            (face, component) for face in ("front", "right", "back", "left") for component in ("gutter", "shingle")
            for _ in range(6)
        )
    ]  # fmt: skip
    records += [record(n, tag(Source.PIXELS, 0.9, face="back", component="vent")) for n in range(48, 55)]
    assert len(written(tmp_path, records).pages) <= 30


def test_the_list_of_originals_follows_an_index_whose_last_shot_ends_on_a_new_page(tmp_path):
    shown = record(0, tag(role="elevation", face="front"))
    items = [
        item(f"Shot {n}", Status.MISSING, face, why="no photo shows it " * 6) for n in range(20) for face in FACES[:2]
    ]  # fmt: skip
    pages = texts(written(tmp_path, [shown], coverage(*items)))
    last = [page for page in pages if page.startswith("Index by required shot")][-1]
    assert "Appendix: the originals" in last


@pytest.mark.usefixtures("look_processes")
def test_the_pictures_are_reduced_until_the_file_is_as_small_as_was_asked(tmp_path):
    records = [record(n, tag(role="close_up", face="front", component="gutter")) for n in range(8)]
    noisy = np.random.default_rng(3)
    made = content(tmp_path, records)
    for path in (tmp_path / "thumbs").rglob("*_1280.jpg"):
        Image.fromarray(noisy.integers(0, 255, (960, 1280, 3), dtype=np.uint8)).save(path, "JPEG", quality=90)
    out = tmp_path / "report.pdf"
    full = write_report(made, out)
    assert not full.reduced
    sizes = {full.bytes}
    for share in (0.7, 0.3):
        most = full.bytes * share / 1e6
        done = write_report(replace(made, options=ReportOptions(max_mb=most)), out)
        assert done.reduced
        assert done.bytes == out.stat().st_size <= most * 1e6
        sizes.add(done.bytes)
    assert len(sizes) == 3
    assert done.pages == full.pages
    before = out.read_bytes()
    with pytest.raises(BadInputError, match="with the smallest pictures") as refused:
        write_report(replace(made, options=ReportOptions(max_mb=0.05)), out)
    assert "--per-page 6" in refused.value.hint
    assert out.read_bytes() == before


def test_an_existing_file_stays_unless_it_may_be_replaced(tmp_path):
    out = tmp_path / "report.pdf"
    out.write_text("older")
    with pytest.raises(BadInputError, match="exists already"):
        write_report(content(tmp_path, house()), out, replace=False)
    assert out.read_text() == "older"
    assert [path.name for path in tmp_path.glob("report*")] == ["report.pdf"]


def test_the_offices_name_and_logo_stand_at_the_top(tmp_path):
    logo = tmp_path / "logo.png"
    drawn(3, (900, 300)).save(logo)
    reader = written(tmp_path, house(), letterhead=Letterhead(name="Marl & Tarn Adjusting", logo=logo))
    assert texts(reader)[0].startswith("Marl & Tarn Adjusting")
    widths = [image.image.size for image in reader.pages[0].images]
    assert (640, 213) in widths
    assert reader.xmp_metadata.dc_creator == ["Marl & Tarn Adjusting"]


def test_a_logo_that_cannot_be_decoded_is_left_out_and_said(tmp_path):
    logo = tmp_path / "logo.png"
    drawn(3, (900, 300)).save(logo)
    logo.write_bytes(logo.read_bytes()[:200])
    done = write_report(content(tmp_path, house(), letterhead=Letterhead(logo=logo)), tmp_path / "report.pdf")
    assert done.without_logo


# --- for readers that do not see the page ------------------------------------------------


def test_the_file_is_tagged_all_text_is_in_a_mark_and_every_picture_has_a_description(tmp_path):
    """ISO 32000-1: 14.7.4 (marked content belongs to the structure), 14.8.2.2 (the rest is an artifact), 14.9.3
    (alternate descriptions), 14.9.2 (language), 12.2 (DisplayDocTitle). Clauses from memory; no claim of PDF/UA.
    """
    reader = written(tmp_path, house())
    root = reader.root_object
    assert root["/MarkInfo"]["/Marked"]
    assert root["/Lang"] == "en-US"
    assert root["/ViewerPreferences"]["/DisplayDocTitle"]
    assert reader.xmp_metadata.dc_title["x-default"] == f"Photo report, claim {CLAIM.claim}"
    elements = [one.get_object() for one in root["/StructTreeRoot"]["/K"][0].get_object()["/K"]]
    kinds = [one["/S"] for one in elements]
    assert kinds.count("/H1") == 1
    assert kinds.count("/H2") >= 8
    figures = [one for one in elements if one["/S"] == "/Figure"]
    assert all(one["/Alt"] for one in figures)
    assert any("Plan of the house" in one["/Alt"] for one in figures)
    assert any(
        "Photo 2, TEST0004.JPG: Gutter, front side: damage, close-up" in one["/Alt"] for one in figures
    )
    pictures = sum(len(page.images) for page in reader.pages)
    assert len(figures) == pictures + 1
    claimed = {
        (reader.get_page_number(one["/Pg"].get_object()), kid) for one in elements for kid in one["/K"]
    }
    found = set()
    for number, page in enumerate(reader.pages):
        depth = 0
        for operands, operator in ContentStream(page["/Contents"].get_object(), reader).operations:
            if operator in (b"BDC", b"BMC"):
                depth += 1
                assert depth == 1, "marks do not nest"
                if operator == b"BDC":
                    found.add((number, operands[1]["/MCID"]))
            elif operator == b"EMC":
                depth -= 1
            elif operator in (b"Tj", b"TJ", b"Do"):
                assert depth == 1, f"page {number + 1} has content without a mark"
        assert depth == 0
    assert found == claimed


def test_the_house_follows_a_summary_that_ends_on_a_second_page(tmp_path):
    missing = [item(f"Shot {n}", Status.MISSING, Face.BACK) for n in range(24)]
    pages = texts(written(tmp_path, house(), coverage(*missing)))
    assert "Shot 23: back elevation" in pages[1]
    assert "The house at a glance" in pages[1]


def half_of(page, words):
    """'upper' or 'lower': where on the page these words are printed."""
    found = []
    page.extract_text(
        visitor_text=lambda text, _cm, tm, *_: found.append(tm[5]) if text.strip().startswith(words) else None
    )
    return "upper" if found[0] > 792 / 2 else "lower"


def test_the_first_photo_is_printed_below_a_summary_that_ends_in_the_upper_half_of_a_page(tmp_path):
    missing = [item(f"Shot {n}", Status.MISSING, Face.BACK) for n in range(24)]
    walk = [record(0, tag(role="elevation", face="front"))]
    walk += [
        record(n, tag(role="close_up", face=face, component=part, condition="damage"))
        for n, (face, part) in enumerate(
            ((face, part) for face in ("front", "right", "back", "left")
             for part in ("gutter", "downspout", "screen", "siding", "shingle", "vent")), start=1,
        )
    ]  # fmt: skip
    pages = list(written(tmp_path, walk, coverage(*missing)).pages)
    [summary] = [
        page for page in pages if "Measurements No photo is stated" in " ".join(page.extract_text().split())
    ]
    assert half_of(summary, "Measurements") == "upper"
    assert half_of(summary, "Photo 1") == "lower"
    assert "Front elevation" in summary.extract_text()


def test_the_index_follows_the_last_photos_on_their_page_where_there_is_room(tmp_path):
    records = [record(n, tag(role="close_up", face="front", component="gutter")) for n in range(3)]
    pages = texts(written(tmp_path, records, coverage(item("Gutter", Status.MET, Face.FRONT))))
    [last] = [page for page in pages if "Photo 3 TEST0003.JPG" in page]
    assert "Index by required shot" in last
    apart = [record(n, tag(Source.PIXELS, 0.9, face="back")) for n in (2, 3)]
    pages = texts(written(tmp_path, [*records[:2], *apart], coverage(item("Gutter", Status.MET, Face.FRONT))))
    [last] = [page for page in pages if page.startswith("Not yet reviewed")]
    assert "Index by required shot" in last
