"""Everything that a reviewer may change, and its undo. Each change is a decision in the catalog and in the custody log.

1. `recording`: what every change needs. `staleness`: nobody overwrites what somebody else changed since.
2. `placing`, `tagging`, `waivers`, `captions`: where photos belong, what they show, which shots are set aside, the report's texts.
3. `questioning`: review by question; each answer is one of these changes.
4. `signing`: sign a claim off, send it back, or undo either. `undo`: undo a correction.
"""
