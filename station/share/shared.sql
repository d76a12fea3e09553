-- The shared record: what many benches copy into one PostgreSQL (15 or later).
--
-- Run by `station share prepare`, or by an administrator: psql -d DATABASE -f shared.sql
-- Whoever runs it owns the record and needs CREATEROLE. Running it again changes nothing.
--
-- Who may do what:
--   crimp_bench   a group; each bench signs in by a role of its own in it. It reads its own entries
--                 and traces, and adds to the end of its own chain. Nothing else.
--   crimp_reader  a group for people: reads everything, writes nothing.
-- Nobody changes or removes an entry or trace; even the owner would first have to drop a trigger.

BEGIN;

DO $$
BEGIN
    IF NOT EXISTS (SELECT FROM pg_roles WHERE rolname = 'crimp_bench') THEN
        CREATE ROLE crimp_bench NOLOGIN;
    END IF;
    IF NOT EXISTS (SELECT FROM pg_roles WHERE rolname = 'crimp_reader') THEN
        CREATE ROLE crimp_reader NOLOGIN;
    END IF;
END $$;

CREATE SCHEMA IF NOT EXISTS shared;


-- Tables ------------------------------------------------------------------------------------------

-- Which benches there are, and by which role each signs in. Only the owner adds one.
CREATE TABLE IF NOT EXISTS shared.bench (
    bench text PRIMARY KEY,
    role  name NOT NULL UNIQUE
);

-- The entries of every bench, column for column as in its ledger.
CREATE TABLE IF NOT EXISTS shared.entry (
    bench        text    NOT NULL REFERENCES shared.bench,
    seq          bigint  NOT NULL CHECK (seq >= 1),      -- from 1, without gaps
    id           text    NOT NULL,
    kind         text    NOT NULL,
    version      integer NOT NULL,
    at_utc       text    NOT NULL,                       -- by the bench's clock, ISO 8601
    clock_synced boolean NOT NULL,                       -- whether that was set from the network
    boot_id      text    NOT NULL,
    monotonic_s  text    NOT NULL                        -- spelled as it is under the hash
                 CHECK (monotonic_s::double precision IS NOT NULL),
    person       text    NOT NULL,
    payload      text    NOT NULL,                       -- JSON, spelled as it is under the hash
    prev_hash    text    NOT NULL,
    hash         text    NOT NULL,
    received     timestamptz NOT NULL DEFAULT now(),     -- by this server's clock; no bench sets it
    PRIMARY KEY (bench, seq)
);

-- Force traces, found by the SHA-256 of what they say uncompressed. That PostgreSQL cannot compute,
-- so each bench has its own: one that lied could spoil no other's.
CREATE TABLE IF NOT EXISTS shared.trace (
    bench  text  NOT NULL REFERENCES shared.bench,
    sha256 text  NOT NULL,
    data   bytea NOT NULL,
    PRIMARY KEY (bench, sha256)
);
ALTER TABLE shared.trace ALTER data SET STORAGE EXTERNAL;  -- it is compressed already


-- The chain ---------------------------------------------------------------------------------------

-- The hash of an entry: SHA-256 over one JSON array of its columns, in this order.
CREATE OR REPLACE FUNCTION shared.hash_of(e shared.entry) RETURNS text
LANGUAGE sql STABLE AS $$
    SELECT encode(sha256(convert_to(concat(
        '[', to_json(e.bench), ',', e.seq, ',', to_json(e.id), ',', to_json(e.kind), ',', e.version,
        ',', to_json(e.at_utc), ',', to_json(e.clock_synced), ',', to_json(e.boot_id),
        ',', e.monotonic_s, ',', to_json(e.person), ',', to_json(e.payload),
        ',', to_json(e.prev_hash), ']'), 'UTF8')), 'hex')
$$;

-- An entry comes right after the last of its bench, names that one's hash, and has its own right.
-- (That no two have one number is the primary key's.)
CREATE OR REPLACE FUNCTION shared.demand_next_of_chain() RETURNS trigger
LANGUAGE plpgsql SET search_path = pg_catalog AS $$
DECLARE
    hash_before text := repeat('0', 64);
BEGIN
    IF NEW.seq > 1 THEN
        SELECT hash INTO hash_before FROM shared.entry
            WHERE bench = NEW.bench AND seq = NEW.seq - 1;
    END IF;
    IF hash_before IS DISTINCT FROM NEW.prev_hash THEN
        RAISE integrity_constraint_violation USING MESSAGE =
            format('entry %s of %s does not follow its last entry here', NEW.seq, NEW.bench);
    END IF;
    IF NEW.hash IS DISTINCT FROM shared.hash_of(NEW) THEN
        RAISE integrity_constraint_violation USING MESSAGE =
            format('entry %s of %s does not match its hash', NEW.seq, NEW.bench);
    END IF;
    RETURN NEW;
END $$;

CREATE OR REPLACE TRIGGER next_of_chain BEFORE INSERT ON shared.entry
    FOR EACH ROW EXECUTE FUNCTION shared.demand_next_of_chain();

CREATE OR REPLACE FUNCTION shared.only_grows() RETURNS trigger
LANGUAGE plpgsql AS $$
BEGIN
    RAISE integrity_constraint_violation USING MESSAGE = format('%s only grows', TG_TABLE_NAME);
END $$;

CREATE OR REPLACE TRIGGER only_grows BEFORE UPDATE OR DELETE OR TRUNCATE ON shared.entry
    FOR EACH STATEMENT EXECUTE FUNCTION shared.only_grows();
CREATE OR REPLACE TRIGGER only_grows BEFORE UPDATE OR DELETE OR TRUNCATE ON shared.trace
    FOR EACH STATEMENT EXECUTE FUNCTION shared.only_grows();


-- Rights ------------------------------------------------------------------------------------------

REVOKE ALL ON SCHEMA shared FROM PUBLIC;
GRANT USAGE ON SCHEMA shared TO crimp_bench, crimp_reader;
GRANT SELECT ON shared.bench, shared.entry, shared.trace TO crimp_bench, crimp_reader;
GRANT INSERT ON shared.trace TO crimp_bench;
GRANT INSERT (bench, seq, id, kind, version, at_utc, clock_synced, boot_id, monotonic_s, person,
              payload, prev_hash, hash) ON shared.entry TO crimp_bench;

ALTER TABLE shared.entry ENABLE ROW LEVEL SECURITY;
ALTER TABLE shared.trace ENABLE ROW LEVEL SECURITY;

-- A bench sees and adds its own; without UPDATE or DELETE granted, that is all it can do.
DROP POLICY IF EXISTS own_entries ON shared.entry;
CREATE POLICY own_entries ON shared.entry TO crimp_bench
    USING (bench = (SELECT b.bench FROM shared.bench AS b WHERE b.role = current_user))
    WITH CHECK (bench = (SELECT b.bench FROM shared.bench AS b WHERE b.role = current_user));
DROP POLICY IF EXISTS own_traces ON shared.trace;
CREATE POLICY own_traces ON shared.trace TO crimp_bench
    USING (bench = (SELECT b.bench FROM shared.bench AS b WHERE b.role = current_user))
    WITH CHECK (bench = (SELECT b.bench FROM shared.bench AS b WHERE b.role = current_user));

DROP POLICY IF EXISTS people_read ON shared.entry;
CREATE POLICY people_read ON shared.entry FOR SELECT TO crimp_reader USING (true);
DROP POLICY IF EXISTS people_read ON shared.trace;
CREATE POLICY people_read ON shared.trace FOR SELECT TO crimp_reader USING (true);


-- What people look at -----------------------------------------------------------------------------

-- Every bench, how far it is, and when its last entry was made and came.
CREATE OR REPLACE VIEW shared.benches WITH (security_invoker = true) AS
    SELECT b.bench, coalesce(last.seq, 0) AS entries, last.hash AS last_hash, last.at_utc,
           last.received
    FROM shared.bench AS b
    LEFT JOIN LATERAL (
        SELECT * FROM shared.entry AS e WHERE e.bench = b.bench ORDER BY seq DESC LIMIT 1
    ) AS last ON true;
GRANT SELECT ON shared.benches TO crimp_bench, crimp_reader;


-- Adding a bench or a reader ----------------------------------------------------------------------

-- SELECT shared.add_bench('bench-1', 'bench_bench-1');  then set its password by \password
CREATE OR REPLACE FUNCTION shared.add_bench(new_bench text, new_role name) RETURNS void
LANGUAGE plpgsql SET search_path = pg_catalog AS $$
BEGIN
    IF NOT EXISTS (SELECT FROM pg_roles WHERE rolname = new_role) THEN
        EXECUTE format('CREATE ROLE %I LOGIN', new_role);
    END IF;
    EXECUTE format('GRANT crimp_bench TO %I', new_role);
    INSERT INTO shared.bench VALUES (new_bench, new_role) ON CONFLICT (bench) DO NOTHING;
END $$;

-- SELECT shared.add_reader('ottilie');  then set her password by \password
CREATE OR REPLACE FUNCTION shared.add_reader(new_role name) RETURNS void
LANGUAGE plpgsql SET search_path = pg_catalog AS $$
BEGIN
    IF NOT EXISTS (SELECT FROM pg_roles WHERE rolname = new_role) THEN
        EXECUTE format('CREATE ROLE %I LOGIN', new_role);
    END IF;
    EXECUTE format('GRANT crimp_reader TO %I', new_role);
END $$;

REVOKE ALL ON FUNCTION shared.add_bench, shared.add_reader FROM PUBLIC;

COMMIT;
