"""The page of a day: what of it is a guess, and what still lacks a name."""

from __future__ import annotations

from dataclasses import replace

from support_board import put_photos


def test_a_house_without_a_claim_is_marked_although_its_boundary_is_certain(workspace, claim, logged_in):
    put_photos(workspace, None, 3, name="LONE")
    photos = workspace.catalog.photos
    [unassigned] = [row for row in photos.segments() if row.claim is None]
    photos.place([], [replace(unassigned, unknown=True, probability=1.0, to_confirm=False)])
    page = logged_in().get("/day?number=BD-1").text
    assert "A house without a name" in page
    assert page.count("no claim yet") == 1
    photos.place([], [replace(unassigned, unknown=False)])
    assert "no claim yet" not in logged_in().get("/day?number=BD-1").text
