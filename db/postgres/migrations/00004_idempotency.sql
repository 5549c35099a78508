-- +goose Up

-- The reply is written in the transaction of what it tells of, so there is no
-- key without its reply, and no work without its key.
CREATE TABLE idempotency_keys (
    tenant_id      uuid        NOT NULL,
    key            text        COLLATE "C" NOT NULL CHECK (octet_length(key) BETWEEN 1 AND 255),
    request_sha256 bytea       NOT NULL CHECK (octet_length(request_sha256) = 32),
    status         integer     NOT NULL,
    location       text        NOT NULL,
    etag           text        NOT NULL,
    body           bytea       NOT NULL,
    created_at     timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (tenant_id, key)
);
ALTER TABLE idempotency_keys ENABLE ROW LEVEL SECURITY, FORCE ROW LEVEL SECURITY;
CREATE POLICY own ON idempotency_keys USING (tenant_id = drawgear_tenant());
GRANT SELECT, INSERT ON idempotency_keys TO drawgear_service;

-- +goose Down
DROP TABLE idempotency_keys;
