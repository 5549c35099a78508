-- +goose Up

CREATE TABLE webhooks (
    tenant_id  uuid        NOT NULL REFERENCES tenants,
    id         text        COLLATE "C" NOT NULL CHECK (id <> ''),
    revision   integer     NOT NULL CHECK (revision > 0),
    created_at timestamptz NOT NULL CHECK (isfinite(created_at)),
    created_by text        NOT NULL, -- subject
    url        text        NOT NULL,
    events     text[]      NOT NULL, -- types
    paused     boolean     NOT NULL,
    note       text        NOT NULL,
    generation integer     NOT NULL CHECK (generation > 0), -- of the secret, which is not here
    rotated_at timestamptz NOT NULL CHECK (isfinite(rotated_at)),
    PRIMARY KEY (tenant_id, id)
);
ALTER TABLE webhooks ENABLE ROW LEVEL SECURITY, FORCE ROW LEVEL SECURITY;
CREATE POLICY own ON webhooks USING (tenant_id = drawgear_tenant());
GRANT SELECT, INSERT, DELETE ON webhooks TO drawgear_service;
GRANT UPDATE (revision, created_at, created_by, url, events, paused, note, generation, rotated_at) ON webhooks TO drawgear_service;

CREATE TABLE deliveries (
    tenant_id  uuid        NOT NULL,
    id         text        COLLATE "C" NOT NULL CHECK (id <> ''),
    webhook_id text        COLLATE "C" NOT NULL,
    event_id   text        COLLATE "C" NOT NULL,
    type       text        NOT NULL,
    created_at timestamptz NOT NULL CHECK (isfinite(created_at)),
    body       bytea       NOT NULL, -- JSON, as it is sent
    state      text        COLLATE "C" NOT NULL CHECK (state IN ('pending', 'delivered', 'failed')),
    replay_of  text        COLLATE "C" NOT NULL, -- empty for a first one
    attempts   json[]      NOT NULL DEFAULT '{}', -- in their order; json, not jsonb, which cannot hold every text
    PRIMARY KEY (tenant_id, id),
    FOREIGN KEY (tenant_id, webhook_id) REFERENCES webhooks ON DELETE CASCADE
);
-- Of an event a webhook is told once, replays apart.
CREATE UNIQUE INDEX deliveries_once ON deliveries (tenant_id, webhook_id, event_id) WHERE replay_of = '';
-- What went to a webhook, newest first; and what to remove with it.
CREATE INDEX deliveries_listed ON deliveries (tenant_id, webhook_id, created_at, id);
-- The oldest, which is what expiry looks for.
CREATE INDEX deliveries_expiring ON deliveries (created_at) WHERE state <> 'pending';

ALTER TABLE deliveries ENABLE ROW LEVEL SECURITY, FORCE ROW LEVEL SECURITY;
CREATE POLICY own ON deliveries USING (tenant_id = drawgear_tenant());
-- Expiry belongs to no tenant, and to nothing that is still to be sent.
CREATE POLICY expiring ON deliveries
    USING (state <> 'pending' AND current_setting('drawgear.expire', true) = 'on') WITH CHECK (false);
-- What is pending goes with its webhook only.
CREATE POLICY settled ON deliveries AS RESTRICTIVE FOR DELETE USING (state <> 'pending');
GRANT SELECT, INSERT, DELETE ON deliveries TO drawgear_service;
-- What is sent, and to whom, is settled when it is made.
GRANT UPDATE (state, attempts) ON deliveries TO drawgear_service;

-- +goose Down
DROP TABLE deliveries, webhooks;
