-- Form 3. What the history keeps and how long, by name; a name that is missing has its default (`Policy`).
CREATE TABLE setting (
    name TEXT PRIMARY KEY,
    value INTEGER NOT NULL
) WITHOUT ROWID;
