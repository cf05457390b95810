-- Form 2: whose limits bounded a reading, and the tiers' texts, so that what a contract states can be held against many visits.

-- Names with blanks between, empty where nothing else bounded it; NULL in visits that were added before this form.
ALTER TABLE reading ADD COLUMN limited TEXT;

-- Each text once; `digest` is the visits' `profile_digest`, which the chain covers.
CREATE TABLE tier (
    digest TEXT PRIMARY KEY,
    text TEXT NOT NULL
) WITHOUT ROWID;
