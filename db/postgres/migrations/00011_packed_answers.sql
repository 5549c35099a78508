-- +goose Up

-- What the answers of a tenant have in common, which is nearly all of an answer:
-- the words of the law. A later answer is kept as what differs from one of these.
CREATE TABLE answer_bases (
    tenant_id   uuid        NOT NULL REFERENCES tenants,
    sha256      bytea       NOT NULL CHECK (octet_length(sha256) = 32), -- of the answer
    created_at  timestamptz NOT NULL CHECK (isfinite(created_at)),
    packed      bytea       NOT NULL, -- the answer, as a Zstandard frame (RFC 8878)
    PRIMARY KEY (tenant_id, sha256)
);
ALTER TABLE answer_bases ALTER COLUMN packed SET STORAGE EXTERNAL; -- it is compressed already
ALTER TABLE answer_bases ENABLE ROW LEVEL SECURITY, FORCE ROW LEVEL SECURITY;
CREATE POLICY own ON answer_bases USING (tenant_id = drawgear_tenant());
GRANT SELECT, INSERT ON answer_bases TO drawgear_service;

-- An answer is there as it is, or as a Zstandard frame, with the answer that base
-- names as its dictionary if there is a base. Months that are put away need the
-- bases that they name, so those are never removed with them.
ALTER TABLE assessments
    ADD COLUMN base bytea CHECK (octet_length(base) = 32),
    ADD COLUMN packed bytea,
    ALTER COLUMN answer DROP NOT NULL,
    ADD CONSTRAINT assessments_answered CHECK (num_nonnulls(answer, packed) = 1 AND (packed IS NOT NULL OR base IS NULL));
ALTER TABLE assessments ALTER COLUMN packed SET STORAGE EXTERNAL;

-- Appends leaves to the log of the tenant, in their order.
-- +goose StatementBegin
CREATE FUNCTION drawgear_append_all(leaves bytea[], assessments text[], assessed timestamptz[]) RETURNS void
    LANGUAGE plpgsql SET search_path = public, pg_temp AS $$
DECLARE
    owner  uuid    := drawgear_tenant();
    many   integer := cardinality(leaves);
    first  bigint;
    sum    bytea;
    hashes bytea[];
    index  bigint;
    level  integer;
    twin   bytea;
BEGIN
    INSERT INTO log_tails AS t (tenant_id, size) VALUES (owner, many)
        ON CONFLICT (tenant_id) DO UPDATE SET size = t.size + many
        RETURNING size - many INTO first;
    FOR i IN 1 .. many LOOP
        sum := leaves[i];
        hashes := ARRAY[sum];
        index := first + i - 1;
        level := 0;
        WHILE index % 2 = 1 LOOP -- a right child completes its parent
            SELECT e.hashes[level + 1] INTO STRICT twin FROM log_entries e
                WHERE e.tenant_id = owner AND e.seq = (index << level) - 1;
            sum := sha256('\x01'::bytea || twin || sum);
            hashes := hashes || sum;
            index := index / 2;
            level := level + 1;
        END LOOP;
        INSERT INTO log_entries VALUES (owner, first + i - 1, hashes, assessments[i], assessed[i]);
    END LOOP;
END $$;
-- +goose StatementEnd
REVOKE EXECUTE ON FUNCTION drawgear_append_all FROM PUBLIC;
GRANT EXECUTE ON FUNCTION drawgear_append_all TO drawgear_service;

-- One leaf is a list of one. It stays for what enters one at a time, and for
-- programs that know no other.
CREATE OR REPLACE FUNCTION drawgear_append(leaf bytea, assessment text, assessed timestamptz) RETURNS void
    LANGUAGE sql SET search_path = public, pg_temp
    RETURN drawgear_append_all(ARRAY[leaf], ARRAY[assessment], ARRAY[assessed]);

-- +goose Down

-- Only Postgres is at hand here, and it cannot unpack an answer: nothing that is packed may be lost.
-- +goose StatementBegin
DO $$
BEGIN
    IF EXISTS (SELECT FROM assessments WHERE packed IS NOT NULL) THEN
        RAISE EXCEPTION 'there are packed answers, which an earlier program could not read: restore the backup from before the upgrade';
    END IF;
END $$;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE OR REPLACE FUNCTION drawgear_append(leaf bytea, assessment text, assessed timestamptz) RETURNS void
    LANGUAGE plpgsql SET search_path = public, pg_temp AS $$
DECLARE
    owner  uuid    := drawgear_tenant();
    sum    bytea   := leaf;
    hashes bytea[] := ARRAY[leaf];
    seq    bigint;
    index  bigint;
    level  integer := 0;
    twin   bytea;
BEGIN
    INSERT INTO log_tails AS t (tenant_id, size) VALUES (owner, 1)
        ON CONFLICT (tenant_id) DO UPDATE SET size = t.size + 1
        RETURNING size - 1 INTO seq;
    index := seq;
    WHILE index % 2 = 1 LOOP -- a right child completes its parent
        SELECT e.hashes[level + 1] INTO STRICT twin FROM log_entries e
            WHERE e.tenant_id = owner AND e.seq = (index << level) - 1;
        sum := sha256('\x01'::bytea || twin || sum);
        hashes := hashes || sum;
        index := index / 2;
        level := level + 1;
    END LOOP;
    INSERT INTO log_entries VALUES (owner, seq, hashes, assessment, assessed);
END $$;
-- +goose StatementEnd

DROP FUNCTION drawgear_append_all;
ALTER TABLE assessments
    DROP CONSTRAINT assessments_answered,
    DROP COLUMN base,
    DROP COLUMN packed,
    ALTER COLUMN answer SET NOT NULL;
DROP TABLE answer_bases;
