"""The tables. Times are ISO 8601 text (UTC, unless a column says local); JSON columns are text.

The catalog is disposable (rule 8): everything in it but caches is also in the bags and in the archive's
record files (`catalog.records`), from which `evidence rebuild` makes it anew.
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Float,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
)

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(column_0_label)s",
        "uq": "uq_%(table_name)s_%(column_0_name)s",
        "pk": "pk_%(table_name)s",
    }
)

claim = Table(
    "claim",
    metadata,
    Column("claim", String(200), primary_key=True),
    Column("insured", Text, nullable=False),
    Column("address", Text, nullable=False),
    Column("lat", Float),
    Column("lon", Float),
    Column("loss_date", String(10)),
    Column("peril", String(60), nullable=False),
    Column("jurisdiction", String(60), nullable=False),
    Column("line", String(60), nullable=False, default=""),  # of business
    Column("stories", Integer),
    Column("state", String(20), nullable=False),
    Column("closed_on", String(10)),
    Column("folder", String(255), unique=True),  # of its bag, below claims/; None until the first photo
    Column("added_at", String(40), nullable=False),
    Column("policy_number", Text, nullable=False, default=""),
    Column("carrier", Text, nullable=False, default=""),
    Column("adjuster", Text, nullable=False, default=""),
    Column("inspector", Text, nullable=False, default=""),
    Column("inspection_start", String(40)),  # local
    Column("inspection_end", String(40)),  # local
    Column(
        "version", Integer, nullable=False, default=0
    ),  # raised by every change, so that two reviewers notice
    Index("ix_claim_state", "state", "claim"),
    Index("ix_claim_lat", "state", "lat"),
)

intake = Table(
    "intake",
    metadata,
    Column("intake", String(60), primary_key=True),
    Column("source", Text, nullable=False),
    Column("label", Text, nullable=False),
    Column("actor", Text, nullable=False),
    Column("started_at", String(40), nullable=False),
    Column("finished_at", String(40)),
    Column("refused", Text, nullable=False),  # JSON list of Refusal
    Column("card_id", Text, nullable=False, default=""),  # of its volume; empty where the system tells none
    Column("superseded_by", String(60)),  # a later run of the same card
    Column("purged", Integer, nullable=False, default=0),  # files whose claims were purged since
    Column("came_since", Integer, nullable=False, default=0),  # files on the card that the run did not see
    Column("told_safe", Boolean, nullable=False, default=False),  # the verdict that was told last
    Column("safe_told_at", String(40)),  # when the card was last called safe
    Column("station", String(64), nullable=False, default=""),  # see `catalog.stations`
    Index("ix_intake_told_safe", "told_safe", "superseded_by"),
    Index("ix_intake_started_at", "started_at"),
)

original = Table(
    "original",
    metadata,
    Column("sha256", String(64), primary_key=True),
    Column("size", Integer, nullable=False),
    Column("suffix", String(255), nullable=False),
    Column("kind", String(10), nullable=False),
    Column("phash", String(16)),
    Column("corrected", String(40)),  # local
    Column("correction", Text, nullable=False, default=""),
    Column("utc", String(40)),
    Column("claim", String(200)),  # None: the unassigned tray
    Column("position", Integer, nullable=False, default=0),
    Column("segment", String(60), nullable=False, default=""),
    Column("claim_confidence", Float, nullable=False, default=0.0),
    Column("to_confirm", Boolean, nullable=False, default=False),
    Column("claim_reasons", Text, nullable=False, default="[]"),
    Column("tag_flags", Text, nullable=False, default="[]"),
    Column("caption", Text, nullable=False, default=""),  # written by a person for the report
    Index("ix_original_claim", "claim", "position"),
    Index("ix_original_phash", "phash", "claim"),
    Index("ix_original_corrected", "corrected"),
    Index("ix_original_size", "size"),
    Index("ix_original_segment", "segment", "position"),
)

picture_hash = Table(  # each perceptual hash once, in the order in which they came; see `catalog.hashes`
    "picture_hash",
    metadata,
    Column("number", Integer, primary_key=True, autoincrement=True),  # never given again
    Column("phash", String(16), nullable=False, unique=True),
    sqlite_autoincrement=True,
)

described = Table(  # what a file says of itself and what was found in its pixels; no row until both were read
    "described",
    metadata,
    Column("sha256", String(64), primary_key=True),
    Column("facts", Text, nullable=False),  # JSON CameraFacts
    Column("look", Text, nullable=False),  # JSON Look without its embedding
)

embedding = Table(
    "embedding",
    metadata,
    Column("sha256", String(64), primary_key=True),
    Column("vector", LargeBinary, nullable=False),
)

ABOUT_A_FILE = (described, embedding)
"""Kept apart from `original`, because most queries need neither: a file's row is short."""

sighting = Table(
    "sighting",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=True),
    Column("intake", String(60), nullable=False),
    Column("card_path", Text, nullable=False),
    Column("name", Text, nullable=False),  # the last part of the path
    Column("sha256", String(64), nullable=False),
    Column("modified", String(40)),
    Column("folder_number", Integer),
    Column("file_number", Integer),
    Column("object_key", Text, nullable=False),
    UniqueConstraint("intake", "card_path"),
    Index("ix_sighting_sha256", "sha256"),
    Index("ix_sighting_name", "name", "sha256"),
)

segment = Table(
    "segment",
    metadata,
    Column("segment", String(60), primary_key=True),
    Column("claim", String(200)),
    Column("unknown", Boolean, nullable=False),
    Column("first", String(64), nullable=False),
    Column("photos", Integer, nullable=False),
    Column("day", String(10), nullable=False),  # local; empty where no time could be had
    Column("position", Integer, nullable=False),
    Column("probability", Float, nullable=False),
    Column("to_confirm", Boolean, nullable=False),
    Column("reasons", Text, nullable=False),
    Index("ix_segment_first", "first"),
    Index("ix_segment_day", "day", "position"),
    Index("ix_segment_claim", "claim"),
)

decision = Table(
    "decision",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=True),
    Column("at", String(40), nullable=False),
    Column("actor", Text, nullable=False),
    Column("kind", String(20), nullable=False),  # of `catalog.decisions`
    Column("claim", String(200)),
    Column("before", Text, nullable=False),  # JSON: what it replaced, so that it can be undone
    Column("after", Text, nullable=False),  # JSON
    Column("undone", Boolean, nullable=False, default=False),
    Column("station", String(64), nullable=False, default=""),  # see `catalog.stations`
    Index("ix_decision_claim", "claim"),
    Index("ix_decision_kind", "kind"),
)

decision_photo = (
    Table(  # the photos that a decision is about, so that those about one photo are found at once
        "decision_photo",
        metadata,
        Column("sha256", String(64), primary_key=True),
        Column("decision", Integer, primary_key=True),
        Index("ix_decision_photo_decision", "decision"),
    )
)

tag = Table(
    "tag",
    metadata,
    Column("sha256", String(64), primary_key=True),
    Column("facet", String(20), primary_key=True),
    Column("source", String(20), primary_key=True),
    Column("value", String(60), nullable=False),
    Column("confidence", Float, nullable=False),
    Column("reason", Text, nullable=False),
    Column("strongest", Boolean, nullable=False),
)

bag = Table(
    "bag",
    metadata,
    Column("claim", String(200), primary_key=True),  # '' is the unassigned tray
    Column("dirty", Boolean, nullable=False),
    Column("changes", Integer, nullable=False, default=0),  # raised by every mark, see `Keeping.mark_clean`
    Column("built_at", String(40)),
    Column("station", String(64), nullable=False, default=""),  # where it stands; empty: at none yet
    Index("ix_bag_dirty", "dirty", "claim"),
)

target_disk = Table(
    "target_disk",
    metadata,
    Column("disk", String(64), primary_key=True),  # the id in its marker
    Column("place", String(100), nullable=False),  # the target's name
    Column("head", Integer, nullable=False),  # entries of the newest head that a backup left there
    Column("station", String(64), nullable=False, default=""),  # see `catalog.stations`
)

pushed_bag = Table(  # what each disk holds of each bag; see `catalog.pushes`
    "pushed_bag",
    metadata,
    Column("disk", String(64), primary_key=True),
    Column("claim", String(200), primary_key=True),
    Column("tag_manifest", String(64), nullable=False, default=""),  # its digest; empty: never copied
    Column("due", Boolean, nullable=False),
    Index("ix_pushed_bag_claim", "claim"),
    Index("ix_pushed_bag_due", "disk", "due", "claim"),
)

held_in = Table(
    "held_in",
    metadata,
    Column("sha256", String(64), primary_key=True),
    Column("claim", String(200), primary_key=True),  # the bag that holds it; '' is the tray
    Column("payload_path", Text, nullable=False),
    Index("ix_held_in_claim", "claim"),
)

copy = Table(
    "copy",
    metadata,
    Column("sha256", String(64), primary_key=True),
    Column("place", String(100), primary_key=True),
    Column("place_id", Text, nullable=False),
    Column("off_computer", Boolean, nullable=False),
    Column("claim", String(200), nullable=False),  # the bag it lies in there
    Column("verified_at", String(40)),
    Column("found_bad_at", String(40)),  # altered, unreadable or gone; a later verified_at outweighs it
    Index("ix_copy_claim", "claim", "place"),
    Index("ix_copy_verified", "place", "verified_at", "sha256"),
    Index("ix_copy_found_bad_at", "found_bad_at"),
)

pushed_file_due = Table(  # ledgers and record files that a disk lacks
    "pushed_file_due",
    metadata,
    Column("disk", String(64), primary_key=True),
    Column("name", String(200), primary_key=True),  # below the archive
    Column("mark", String(32), nullable=False),  # new at every change, as in `record_due`
)

hold = Table(
    "hold",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=True),
    Column("claim", String(200), nullable=False),  # that it names alone; empty for another scope
    Column("kind", String(20), nullable=False, default="own"),
    Column("reason", Text, nullable=False),
    Column("insured", Text, nullable=False, default=""),
    Column("peril", String(60), nullable=False, default=""),
    Column("first_loss", String(10)),
    Column("last_loss", String(10)),
    Column("area", Text, nullable=False, default="[]"),  # JSON list
    Column("until", String(10)),  # its last day
    Column("covered", Text, nullable=False, default="[]"),  # JSON list of claims, see `catalog.holds`
    Column("placed_by", Text, nullable=False),
    Column("placed_at", String(40), nullable=False),
    Column("lifted_by", Text),
    Column("lifted_at", String(40)),
    Column("lifted_why", Text),
    Column("lift_asked_by", Text),
    Column("lift_asked_at", String(40)),
    Index("ix_hold_claim", "claim"),
)

waiver = Table(
    "waiver",
    metadata,
    Column("claim", String(200), primary_key=True),
    Column("requirement", String(200), primary_key=True),
    Column("place", String(60), primary_key=True),  # a face or a structure; empty: wherever it is asked for
    Column("by", Text, nullable=False),
    Column("why", Text, nullable=False),
    Column("at", String(40), nullable=False),
)

tally = Table(
    "tally",
    metadata,
    Column("claim", String(200), primary_key=True),
    Column("version", Integer, nullable=False),  # of the claim when it was counted
    Column("basis", String(64), nullable=False),
    Column("met", Integer, nullable=False),
    Column("guessed", Integer, nullable=False),
    Column("missing", Integer, nullable=False),
    Column("waived", Integer, nullable=False),
    Column("flags", Integer, nullable=False),
)

claim_total = Table(  # see `catalog.totals`
    "claim_total",
    metadata,
    Column("claim", String(200), primary_key=True),  # empty: the unassigned tray; no row without files
    Column("files", Integer, nullable=False),
    Column("octets", BigInteger, nullable=False),
    Column("to_confirm", Integer, nullable=False),
    Column("first", String(40)),  # local, of the files that have a time
    Column("last", String(40)),  # local
)

copy_total = Table(
    "copy_total",
    metadata,
    Column("claim", String(200), primary_key=True),  # the bag in which the copies lie there
    Column("place", String(100), primary_key=True),
    Column("copies", Integer, nullable=False),  # that count
    Column("octets", BigInteger, nullable=False),
    Column("bad", Integer, nullable=False),
    Column("oldest", String(40)),  # when the one that was read back longest ago was read
    Column("newest", String(40)),
)

place_set = Table(
    "place_set",
    metadata,
    Column("claim", String(200), primary_key=True),  # of the files
    Column(
        "places", String(2000), primary_key=True
    ),  # JSON list, sorted: where the files have copies that count
    Column("files", Integer, nullable=False),
)

user = Table(
    "board_user",
    metadata,
    Column("name", String(100), primary_key=True),
    Column("role", String(20), nullable=False),
    Column("password", Text, nullable=False),  # argon2id, PHC string format
    Column("added_at", String(40), nullable=False),
)

station = Table(  # the archives that this catalog belongs to
    "station",
    metadata,
    Column("archive", String(64), primary_key=True),  # its id
    Column("name", String(60), nullable=False, unique=True),
    Column("added_at", String(40), nullable=False),
    Column("added_by", Text, nullable=False),
    Column("path", Text, nullable=False, default=""),  # where other stations find its folder
    Column("head", Text, nullable=False, default=""),  # JSON: the newest signed head of its custody log
    Column("left_at", String(40)),
    Column("left_by", Text),
    Column("left_why", Text),
)

waiting_at = Table(  # originals in the intake area of a station; only of a catalog on a server
    "waiting_at",
    metadata,
    Column("sha256", String(64), primary_key=True),
    Column("station", String(64), primary_key=True),
)

noted_head = Table(  # the newest head of a station's log that another station noted in its own
    "noted_head",
    metadata,
    Column("station", String(64), primary_key=True),
    Column("noted_by", String(64), primary_key=True),
    Column("head", Text, nullable=False),  # JSON
)

station_debt = Table(  # see `catalog.debts`
    "station_debt",
    metadata,
    Column("station", String(64), primary_key=True),
    Column("claim", String(200), primary_key=True),
    Column("since", String(40), nullable=False),
    Column("part", Text, nullable=False),  # JSON StationPart
)

OF_STATIONS = (station, waiting_at, noted_head)
"""Neither recorded nor replaced by a rebuild."""

record_due = Table(
    "record_due",
    metadata,
    Column("kind", String(10), primary_key=True),  # of `catalog.records`
    Column("key", String(200), primary_key=True),
    Column(
        "mark", String(32), nullable=False
    ),  # new at every change, so that a change during a write is kept
)
