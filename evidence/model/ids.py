"""The identifiers that all rooms share."""

from __future__ import annotations

from typing import NewType

Sha256 = NewType("Sha256", str)
"""64 lower-case hexadecimal digits (FIPS 180-4)."""

ClaimId = NewType("ClaimId", str)
"""The claim's number as the carrier writes it."""

DeviceId = NewType("DeviceId", str)
"""One camera or phone: make, model and serial joined, or the card it came on where those are absent."""

IntakeId = NewType("IntakeId", str)
"""One run of a card through the intake: its UTC start, and a few letters that make it unique."""
