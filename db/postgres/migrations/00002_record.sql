-- +goose Up

CREATE TABLE assessments (
    tenant_id      uuid        NOT NULL, -- log_tails refers to tenants, once a tenant and not once a row
    id             text        COLLATE "C" NOT NULL CHECK (id <> ''),
    created_at     timestamptz NOT NULL CHECK (isfinite(created_at)),
    jurisdiction   text        COLLATE "C" NOT NULL,
    as_of          date        NOT NULL,
    known_at       timestamptz, -- null: none was asked for
    verdict        text        COLLATE "C" NOT NULL CHECK (verdict IN ('compliant', 'non_compliant', 'undetermined')),
    answer_sha256  bytea       NOT NULL CHECK (octet_length(answer_sha256) = 32),
    rig            bytea       NOT NULL, -- JSON, as bytes: jsonb would not give them back as they were
    answer         bytea       NOT NULL,
    engine         text        NOT NULL, -- version of the program that answered
    -- One tenant's list, newest first, is this index read backwards.
    PRIMARY KEY (tenant_id, created_at, id)
) PARTITION BY RANGE (created_at);

-- The list narrowed to a place, and to a verdict. Both together read one of
-- the two and leave out what does not match.
CREATE INDEX assessments_by_jurisdiction ON assessments (tenant_id, jurisdiction, created_at, id);
CREATE INDEX assessments_by_verdict ON assessments (tenant_id, verdict, created_at, id);

-- Takes what has no month of its own yet, so that nothing is ever refused.
CREATE TABLE assessments_default PARTITION OF assessments DEFAULT;

-- The grant is on the parent alone: policies of a parent do not hold for a
-- partition that is asked directly, so that must be refused.
ALTER TABLE assessments ENABLE ROW LEVEL SECURITY, FORCE ROW LEVEL SECURITY;
CREATE POLICY own ON assessments USING (tenant_id = drawgear_tenant());
GRANT SELECT, INSERT ON assessments TO drawgear_service;

-- The log of a tenant: a Merkle tree as RFC 6962 has it, whose leaves are in a
-- gapless sequence, one an assessment. No key refers to assessments: one step
-- writes both, and old months can be put away while the log stays whole.
CREATE TABLE log_entries (
    tenant_id     uuid        NOT NULL,
    seq           bigint      NOT NULL CHECK (seq >= 0),
    -- Hashes of the subtrees that this leaf completes, from the leaf itself
    -- upwards: the node of a level and index is entry ((index + 1) << level) - 1,
    -- element level + 1. They never change, so each is written once.
    hashes        bytea[]     NOT NULL CHECK (octet_length(hashes[1]) = 32),
    assessment_id text        COLLATE "C" NOT NULL,
    created_at    timestamptz NOT NULL, -- of the assessment
    PRIMARY KEY (tenant_id, seq),
    -- Keeps ids unique over all months, which no index of a partitioned table
    -- can, and leads from an id to its month.
    UNIQUE (tenant_id, assessment_id) INCLUDE (created_at)
);
ALTER TABLE log_entries ENABLE ROW LEVEL SECURITY, FORCE ROW LEVEL SECURITY;
CREATE POLICY own ON log_entries USING (tenant_id = drawgear_tenant());
GRANT SELECT, INSERT ON log_entries TO drawgear_service;

-- How many entries each log has. Whoever appends holds the row until the
-- commit, so that numbers have no gaps and appear in their order.
CREATE TABLE log_tails (
    tenant_id uuid   PRIMARY KEY REFERENCES tenants,
    size      bigint NOT NULL CHECK (size > 0)
) WITH (fillfactor = 20); -- room to update in place
ALTER TABLE log_tails ENABLE ROW LEVEL SECURITY, FORCE ROW LEVEL SECURITY;
CREATE POLICY own ON log_tails USING (tenant_id = drawgear_tenant());
GRANT SELECT, INSERT, UPDATE (size) ON log_tails TO drawgear_service;

-- Appends a leaf to the log of the tenant.
-- +goose StatementBegin
CREATE FUNCTION drawgear_append(leaf bytea, assessment text, assessed timestamptz) RETURNS void
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
REVOKE EXECUTE ON FUNCTION drawgear_append FROM PUBLIC;
GRANT EXECUTE ON FUNCTION drawgear_append TO drawgear_service;

CREATE TABLE log_heads (
    tenant_id  uuid        NOT NULL REFERENCES tenants,
    size       bigint      NOT NULL CHECK (size >= 0),
    root       bytea       NOT NULL CHECK (octet_length(root) = 32),
    signed_at  timestamptz NOT NULL,
    key_id     text        NOT NULL,
    signature  bytea       NOT NULL,
    PRIMARY KEY (tenant_id, size, key_id) -- the newest head is its last
);
ALTER TABLE log_heads ENABLE ROW LEVEL SECURITY, FORCE ROW LEVEL SECURITY;
CREATE POLICY own ON log_heads USING (tenant_id = drawgear_tenant());
GRANT SELECT, INSERT ON log_heads TO drawgear_service;

-- Makes the partitions of this month and of so many more, and of every month
-- that went to the default partition; gives the names of the new ones. Months
-- are those of UTC. It runs as the owner of the tables, so that the service can
-- ask for it, and gives up rather than keep others waiting for its locks.
-- +goose StatementBegin
CREATE FUNCTION drawgear_make_partitions(ahead integer) RETURNS SETOF text
    LANGUAGE plpgsql SECURITY DEFINER
    SET search_path = public, pg_temp SET timezone = 'UTC' SET lock_timeout = '2s' AS $$
DECLARE
    first timestamptz;
    after timestamptz;
    name  text;
BEGIN
    IF ahead NOT BETWEEN 0 AND 60 THEN
        RAISE EXCEPTION '% months ahead are not between 0 and 60', ahead USING ERRCODE = 'invalid_parameter_value';
    END IF;
    PERFORM pg_advisory_xact_lock(hashtextextended('drawgear partitions', 0));
    FOR first IN
        SELECT date_trunc('month', now()) + make_interval(months => n) FROM generate_series(0, ahead) n
        UNION
        SELECT date_trunc('month', created_at) FROM assessments_default
        ORDER BY 1
    LOOP
        name := 'assessments_' || to_char(first, 'YYYY_MM');
        CONTINUE WHEN to_regclass(name) IS NOT NULL;
        after := first + interval '1 month';
        -- Made apart and attached, since PARTITION OF would lock out readers of
        -- the whole table. Writers wait: a row that was already on its way to
        -- the default partition would be refused there after the attach.
        LOCK TABLE assessments IN SHARE ROW EXCLUSIVE MODE;
        EXECUTE format('CREATE TABLE %I (LIKE assessments INCLUDING CONSTRAINTS INCLUDING STORAGE)', name);
        EXECUTE format('WITH late AS (DELETE FROM assessments_default WHERE created_at >= %L AND created_at < %L RETURNING *)
            INSERT INTO %I SELECT * FROM late', first, after, name);
        EXECUTE format('ALTER TABLE assessments ATTACH PARTITION %I FOR VALUES FROM (%L) TO (%L)', name, first, after);
        RETURN NEXT name;
    END LOOP;
END $$;
-- +goose StatementEnd
REVOKE EXECUTE ON FUNCTION drawgear_make_partitions FROM PUBLIC;
GRANT EXECUTE ON FUNCTION drawgear_make_partitions TO drawgear_service;

SELECT drawgear_make_partitions(3);

-- +goose Down
DROP FUNCTION drawgear_make_partitions, drawgear_append;
DROP TABLE log_heads, log_tails, log_entries, assessments;
