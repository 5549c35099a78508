-- +goose Up

CREATE TABLE audits (
    tenant_id   uuid        NOT NULL REFERENCES tenants,
    id          text        COLLATE "C" NOT NULL CHECK (id <> ''),
    created_at  timestamptz NOT NULL CHECK (isfinite(created_at)),
    created_by  text        NOT NULL, -- subject
    ask         bytea       NOT NULL, -- JSON, as bytes: jsonb would not give them back as they were
    state       text        COLLATE "C" NOT NULL CHECK (state IN ('receiving', 'running', 'done', 'cancelled', 'failed')),
    chunks      integer     NOT NULL DEFAULT 0 CHECK (chunks >= 0), -- in all, as rows; 0 until it starts
    rows        bigint      NOT NULL DEFAULT 0 CHECK (rows >= 0),
    chunks_done integer     NOT NULL DEFAULT 0 CHECK (chunks_done BETWEEN 0 AND chunks),
    rows_done   bigint      NOT NULL DEFAULT 0,
    started_at  timestamptz,
    ended_at    timestamptz,
    note        text        NOT NULL DEFAULT '', -- why it was cancelled or failed
    PRIMARY KEY (tenant_id, id),
    CONSTRAINT ends_once CHECK ((ended_at IS NOT NULL) = (state IN ('done', 'cancelled', 'failed')))
) WITH (fillfactor = 50); -- room to count in place
-- One tenant's list, newest first; and what is to be dropped of all.
CREATE INDEX audits_listed ON audits (tenant_id, created_at, id);
CREATE INDEX audits_ended ON audits (ended_at) WHERE ended_at IS NOT NULL;
CREATE INDEX audits_receiving ON audits (created_at) WHERE state = 'receiving';

ALTER TABLE audits ENABLE ROW LEVEL SECURITY, FORCE ROW LEVEL SECURITY;
CREATE POLICY own ON audits USING (tenant_id = drawgear_tenant());
-- Dropping belongs to no tenant, and to nothing that runs.
CREATE POLICY expiring ON audits
    USING (state <> 'running' AND current_setting('drawgear.expire', true) = 'on') WITH CHECK (false);
CREATE POLICY still ON audits AS RESTRICTIVE FOR DELETE USING (state <> 'running');
-- It begins with nothing, and what has ended stays as it is.
CREATE POLICY blank ON audits AS RESTRICTIVE FOR INSERT WITH CHECK (state = 'receiving');
CREATE POLICY open ON audits AS RESTRICTIVE FOR UPDATE USING (state IN ('receiving', 'running')) WITH CHECK (true);
GRANT SELECT, INSERT, DELETE ON audits TO drawgear_service;
GRANT UPDATE (state, chunks, rows, chunks_done, rows_done, started_at, ended_at, note) ON audits TO drawgear_service;

-- What all chunks of an audit share.
CREATE TABLE audit_inputs (
    tenant_id uuid  NOT NULL,
    audit_id  text  COLLATE "C" NOT NULL,
    name      text  COLLATE "C" NOT NULL,
    data      bytea NOT NULL,
    PRIMARY KEY (tenant_id, audit_id, name),
    FOREIGN KEY (tenant_id, audit_id) REFERENCES audits ON DELETE CASCADE
);
ALTER TABLE audit_inputs ALTER data SET STORAGE EXTERNAL; -- it comes packed
ALTER TABLE audit_inputs ENABLE ROW LEVEL SECURITY, FORCE ROW LEVEL SECURITY;
CREATE POLICY own ON audit_inputs USING (tenant_id = drawgear_tenant());
GRANT SELECT, INSERT, UPDATE (data) ON audit_inputs TO drawgear_service;

-- Rows of an audit, and what came of them.
CREATE TABLE audit_chunks (
    tenant_id uuid    NOT NULL,
    audit_id  text    COLLATE "C" NOT NULL,
    number    integer NOT NULL CHECK (number >= 0),
    first     bigint  NOT NULL, -- of its rows, in the audit
    rows      integer NOT NULL CHECK (rows >= 0),
    input     bytea   NOT NULL,
    items     bytea,  -- null until it is answered, as the tally
    tally     bytea,
    PRIMARY KEY (tenant_id, audit_id, number),
    FOREIGN KEY (tenant_id, audit_id) REFERENCES audits ON DELETE CASCADE,
    CONSTRAINT answered_whole CHECK ((items IS NULL) = (tally IS NULL))
);
ALTER TABLE audit_chunks ALTER input SET STORAGE EXTERNAL, ALTER items SET STORAGE EXTERNAL;
ALTER TABLE audit_chunks ENABLE ROW LEVEL SECURITY, FORCE ROW LEVEL SECURITY;
CREATE POLICY own ON audit_chunks USING (tenant_id = drawgear_tenant());
-- It comes without an answer, and is answered once.
CREATE POLICY blank ON audit_chunks AS RESTRICTIVE FOR INSERT WITH CHECK (tally IS NULL);
CREATE POLICY open ON audit_chunks AS RESTRICTIVE FOR UPDATE USING (tally IS NULL) WITH CHECK (tally IS NOT NULL);
GRANT SELECT, INSERT, UPDATE (items, tally) ON audit_chunks TO drawgear_service;

-- +goose Down
DROP TABLE audit_chunks, audit_inputs, audits;
