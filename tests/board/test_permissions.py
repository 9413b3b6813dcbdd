"""Which duty may send which request."""

from __future__ import annotations

import pytest

from evidence.model import Duty

ALLOWED = {
    "/do/tag": {"adjuster", "reviewer"},
    "/do/place": {"adjuster", "reviewer", "office"},
    "/do/sign": {"reviewer"},
    "/do/send-back": {"reviewer"},
    "/do/waive": {"reviewer"},
    "/do/take-back": {"reviewer", "office"},
    "/do/cut": {"adjuster", "reviewer", "office"},
    "/do/caption": {"adjuster", "reviewer"},
}


@pytest.mark.parametrize("duty", list(Duty))
def test_each_duty_may_do_exactly_what_the_table_says(logged_in, workspace, claim, duty):
    client = logged_in("Somebody", duty)
    photos = {"photos": {claim[0]: "0" * 12}}
    scripts = {"/do/tag": photos | {"tags": {"face": "left"}}, "/do/place": photos | {"claim": "BD-1"}}
    form = {"token": client.token, "claim": "BD-1", "seen": "99", "number": "BD-1", "requirement": "nothing"}
    form |= {"photo": "0" * 64, "note": "x"}
    for path, duties in ALLOWED.items():
        before = workspace.custody.head().seq
        if path in scripts:
            answer = client.post(path, json=scripts[path], headers={"x-board-token": client.token})
        else:
            answer = client.post(path, data=form)
        assert (answer.status_code != 403) == (duty.value in duties), path
        assert workspace.custody.head().seq == before, "none of these requests may change anything"
