"""The values that all rooms share: frozen dataclasses and enums, without side effects.

Times: `taken_local` and everything derived from it is naive, the wall clock the camera
was set to; every other `datetime` is aware and in UTC. Angles are degrees, true or
magnetic north as stated; positions are WGS 84 degrees; lengths are metres; shares are
fractions of one.

`card_files`: a file of a card. `camera`, `look`: what it says of itself, what the analysis found in its pixels.
`claims`, `tags`, `photos`: what it belongs to, what it shows, and all of it together. `ids`, `findings` and `people`
serve these.
"""

from evidence.model.camera import (
    CameraFacts,
    GeoPoint,
)
from evidence.model.card_files import (
    PICTURE_KINDS,
    Copied,
    DcfName,
    Found,
    MediaKind,
    Outcome,
    Refusal,
)
from evidence.model.claims import (
    CHANGEABLE,
    CONCLUDED,
    Claim,
    ClaimState,
    HoldKind,
    HoldScope,
)
from evidence.model.findings import (
    Finding,
)
from evidence.model.ids import (
    ClaimId,
    DeviceId,
    IntakeId,
    Sha256,
)
from evidence.model.look import (
    Box,
    ChalkSeen,
    DividerMark,
    LabelMark,
    Look,
    OtherReading,
    Quality,
    SceneKind,
    SheetSeen,
    WritingLine,
)
from evidence.model.people import (
    Duty,
)
from evidence.model.photos import (
    PhotoRecord,
    PlacedPhoto,
)
from evidence.model.tags import (
    STATING,
    Condition,
    Face,
    Facet,
    FacetValue,
    Role,
    Source,
    TagResult,
    Tags,
    tag_value,
)

__all__ = [
    "CHANGEABLE",
    "CONCLUDED",
    "PICTURE_KINDS",
    "STATING",
    "Box",
    "CameraFacts",
    "ChalkSeen",
    "Claim",
    "ClaimId",
    "ClaimState",
    "Condition",
    "Copied",
    "DcfName",
    "DeviceId",
    "DividerMark",
    "Duty",
    "Face",
    "Facet",
    "FacetValue",
    "Finding",
    "Found",
    "GeoPoint",
    "HoldKind",
    "HoldScope",
    "IntakeId",
    "LabelMark",
    "Look",
    "MediaKind",
    "OtherReading",
    "Outcome",
    "PhotoRecord",
    "PlacedPhoto",
    "Quality",
    "Refusal",
    "Role",
    "SceneKind",
    "Sha256",
    "SheetSeen",
    "Source",
    "TagResult",
    "Tags",
    "WritingLine",
    "tag_value",
]
