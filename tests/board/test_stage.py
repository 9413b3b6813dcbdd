"""The large photo in a real browser: the original's own pixels, sharp; loupe, light, turning, linked zoom, small screens."""

from __future__ import annotations

import functools
import io

import numpy as np
import pytest
from PIL import Image
from support_board import put_claim, put_files
from support_browser import board, log_in, press

from evidence.model import MediaKind

__all__ = ["board", "log_in"]
WIDTH, HEIGHT = 3000, 2000


@functools.cache
def checks(seed):
    """A picture whose single pixels are black or white: any reduction or smoothing makes them grey."""
    rng = np.random.default_rng(seed)
    grey = (rng.random((HEIGHT, WIDTH)) > 0.5).astype(np.uint8) * 255
    data = io.BytesIO()
    Image.fromarray(np.repeat(grey[:, :, None], 3, axis=2)).save(data, "JPEG", quality=98, subsampling=0)
    return data.getvalue()


@pytest.fixture
def fine(workspace):
    put_claim(workspace, "ST-1", insured="Odile Farrow")
    return put_files(workspace, "ST-1", {f"F{n:04d}.JPG": (MediaKind.PHOTO, checks(n)) for n in range(2)})


def shown(page):
    """The pixels of the stage's canvas, as grey values."""
    data = page.locator(".stage .stage-view canvas").first.screenshot()
    return np.asarray(Image.open(io.BytesIO(data)).convert("L"))


def sharp(page):
    page.wait_for_function("() => document.querySelector('.stage').dataset.sharp === 'yes'")


@pytest.fixture
def page(log_in, fine):
    """The page of one of the two photos, when it shows the preview."""
    opened = log_in(at=f"/photo/{fine[0]}")
    opened.wait_for_selector(".stage[data-ready]")
    return opened


def black_or_white(pixels):
    middle = pixels[80:300, 80:500]
    return float(((middle < 60) | (middle > 195)).mean())


def test_one_to_one_and_two_to_one_show_the_originals_own_pixels(page):
    assert black_or_white(shown(page)) < 0.5, "the preview is reduced"
    press(page, "v")
    sharp(page)
    assert float(page.get_attribute(".stage", "data-pixels")) == pytest.approx(1, abs=0.002)
    assert black_or_white(shown(page)) > 0.97
    press(page, "V")
    sharp(page)
    page.wait_for_timeout(100)
    two = shown(page)
    assert float(page.get_attribute(".stage", "data-pixels")) == pytest.approx(2, abs=0.004)
    assert black_or_white(two) > 0.97, "beyond 1:1 nothing is smoothed"
    middle = two[80:300, 80:500].astype(int)
    same = [
        float(
            (np.abs(middle[:, n:-1:2] - middle[:, n + 1 :: 2][:, : middle[:, n:-1:2].shape[1]]) < 40).mean()
        )
        for n in (0, 1)
    ]
    assert max(same) > 0.97, "each pixel of the original is two wide"
    press(page, "0")
    assert page.get_attribute(".stage", "data-scale") == "1.000"


def test_the_whole_stage_with_its_buttons_is_above_the_fold(page):
    box = page.locator(".stage").bounding_box()
    assert box["y"] + box["height"] <= 800
    assert box["height"] >= 480
    page.set_viewport_size({"width": 390, "height": 844})
    box = page.locator(".stage").bounding_box()
    assert box["width"] <= 390


def test_light_changes_the_view_only_and_is_put_back(page, workspace):
    before = workspace.custody.head().seq
    grey = shown(page).mean()
    press(page, "I", "I", "I")
    assert shown(page).mean() < grey - 30
    press(page, "k")
    assert page.get_attribute(".stage", "data-light") == "0.658 1.15"
    press(page, "0")
    assert shown(page).mean() == pytest.approx(grey, abs=2)
    assert workspace.custody.head().seq == before
    assert "never the photo" in page.inner_text(".stage-tools")


def test_the_loupe_is_two_to_one_where_the_pointer_is(page):
    press(page, "g")
    page.wait_for_selector(".stage-loupe canvas")
    box = page.locator(".stage-view").bounding_box()
    page.mouse.move(box["x"] + 300, box["y"] + 220)
    page.wait_for_function(
        "() => performance.getEntriesByType('resource').some((one) => one.name.includes('/tile/'))"
    )
    page.wait_for_timeout(400)
    data = page.locator(".stage-loupe").screenshot()
    pixels = np.asarray(Image.open(io.BytesIO(data)).convert("L"))[20:-20, 20:-20]
    assert float(((pixels < 60) | (pixels > 195)).mean()) > 0.95
    press(page, "g")
    assert page.locator(".stage-loupe").is_hidden()


FRAMES = """async () => {
    const rest = (ms) => new Promise((go) => setTimeout(go, ms)), next = OpenSeadragon.requestAnimationFrame;
    await rest(700);
    let frames = 0;
    OpenSeadragon.requestAnimationFrame = (work) => { frames += 1; return next(work); };
    await rest(600);
    OpenSeadragon.requestAnimationFrame = next;
    return frames;
}"""


WOKEN = """async (what) => {
    await new Promise((go) => setTimeout(go, 700));
    const next = window.requestAnimationFrame;
    let frames = 0;
    window.requestAnimationFrame = (work) => { frames += 1; return next.call(window, work); };
    window.dispatchEvent(new Event(what));
    window.requestAnimationFrame = next;
    return frames;
}"""


def test_a_photo_that_nobody_moves_is_not_drawn_anew_and_the_next_key_works_at_once(page):
    assert 1 <= page.evaluate(FRAMES) <= 6, "at 60 frames a second there are 36"
    for what in ("keydown", "pointermove", "wheel"):
        assert page.evaluate(WOKEN, what) >= 1, "it waits for the next of four looks a second"
    press(page, "v")
    sharp(page)
    assert black_or_white(shown(page)) > 0.97


def test_two_photos_side_by_side_zoom_together(log_in, fine):
    page = log_in(at=f"/compare?one={fine[0]}&other={fine[1]}")
    page.wait_for_function("() => document.querySelectorAll('.stage[data-ready]').length === 2")
    press(page, "+", "+", "]")
    views = page.locator(".stage")
    assert views.nth(0).get_attribute("data-turn") == views.nth(1).get_attribute("data-turn") == "90"
    press(page, "v")
    assert views.nth(0).get_attribute("data-pixels") == views.nth(1).get_attribute("data-pixels")
    assert page.locator(".stage-tools").count() == 1


def test_full_screen_by_key_and_back(page):
    press(page, "F")
    page.wait_for_function("() => document.fullscreenElement || document.querySelector('.filling')")
    box = page.locator(".stage").bounding_box()
    assert box["height"] == pytest.approx(page.evaluate("innerHeight"), abs=2)
    press(page, "F")
    page.wait_for_function("() => !document.fullscreenElement && !document.querySelector('.filling')")
