"""Work that goes on after a finding and reports all of them at its end."""

from __future__ import annotations

from evidence.model import Finding


class CollectsFindings:
    """Base of such work; its `findings` are in the order in which they were added."""

    __slots__ = ()
    findings: list[Finding]

    def add_finding(self, code: str, subject: str, message: str) -> None:
        """Add what a person must know; the subject is a path, a place, or the name of a bag, a target or a claim."""
        self.findings.append(Finding(code=code, message=message, subject=subject))
