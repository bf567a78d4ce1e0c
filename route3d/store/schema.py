"""The tables, as numbered steps; a step that was released is never changed, only followed by another."""

from __future__ import annotations

APPLICATION_ID = 0x52334431  # marks the file as ours

_KEPT = "SELECT RAISE(ABORT, 'history is never changed or deleted')"

STEPS = (
    f"""
    CREATE TABLE revision (
        number INTEGER PRIMARY KEY, recorded TEXT NOT NULL, made TEXT NOT NULL, project TEXT NOT NULL,
        rules TEXT NOT NULL, checks TEXT NOT NULL, inputs TEXT NOT NULL, unread INTEGER NOT NULL,
        counts TEXT NOT NULL, digest TEXT NOT NULL
    );
    CREATE TABLE latest (  -- runs of the last revision only, by which runs are known again
        run TEXT PRIMARY KEY, cable TEXT NOT NULL, verdict TEXT NOT NULL, length_m REAL NOT NULL, corners TEXT NOT NULL
    );
    CREATE TABLE matter (
        number INTEGER PRIMARY KEY, since TEXT NOT NULL, presence TEXT NOT NULL, mended TEXT,
        ambiguous INTEGER NOT NULL, finding_id TEXT NOT NULL, finding TEXT NOT NULL
    );
    CREATE INDEX matter_by_finding ON matter (finding_id);
    CREATE TABLE sighting (
        matter INTEGER NOT NULL REFERENCES matter, revision INTEGER NOT NULL REFERENCES revision,
        severity TEXT NOT NULL, measured REAL, required REAL, trend TEXT NOT NULL,
        PRIMARY KEY (matter, revision)
    ) WITHOUT ROWID;
    CREATE TABLE event (
        number INTEGER PRIMARY KEY, matter INTEGER NOT NULL REFERENCES matter, at TEXT NOT NULL, kind TEXT NOT NULL,
        why TEXT NOT NULL
    );
    CREATE INDEX event_by_matter ON event (matter);
    CREATE TABLE decision (
        number INTEGER PRIMARY KEY, matter INTEGER NOT NULL REFERENCES matter, at TEXT NOT NULL, by TEXT NOT NULL,
        decided TEXT NOT NULL, note TEXT NOT NULL, owner TEXT NOT NULL, due TEXT NOT NULL
    );
    CREATE INDEX decision_by_matter ON decision (matter);
    CREATE TRIGGER decision_stays BEFORE UPDATE ON decision BEGIN {_KEPT}; END;
    CREATE TRIGGER decision_remains BEFORE DELETE ON decision BEGIN {_KEPT}; END;
    CREATE TRIGGER event_stays BEFORE UPDATE ON event BEGIN {_KEPT}; END;
    CREATE TRIGGER event_remains BEFORE DELETE ON event BEGIN {_KEPT}; END;
    CREATE TRIGGER matter_remains BEFORE DELETE ON matter BEGIN {_KEPT}; END;
    CREATE TRIGGER sighting_remains BEFORE DELETE ON sighting BEGIN {_KEPT}; END;
    CREATE TRIGGER revision_remains BEFORE DELETE ON revision BEGIN {_KEPT}; END;
    """,
    # the id by which others know a matter (of two that were called alike, the later one gets another); and the check
    # that told an event
    """
    ALTER TABLE matter ADD COLUMN topic TEXT NOT NULL DEFAULT '';
    UPDATE matter SET topic = topic_guid((SELECT project FROM revision ORDER BY number DESC LIMIT 1), finding_id);
    UPDATE matter SET topic = topic_guid(topic, number)
        WHERE EXISTS (SELECT 1 FROM matter AS older WHERE older.topic = matter.topic AND older.number < matter.number);
    CREATE UNIQUE INDEX matter_by_topic ON matter (topic);
    ALTER TABLE event ADD COLUMN revision INTEGER REFERENCES revision;  -- older ones: told by their time
    """,
)
