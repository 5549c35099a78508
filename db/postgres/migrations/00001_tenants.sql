-- +goose Up

-- What the service may do hangs on this role, to which the operator grants the
-- login of the service. It belongs to the whole server, so another database,
-- or the operator, may have made it before.
-- +goose StatementBegin
DO $$
BEGIN
    IF NOT EXISTS (SELECT FROM pg_roles WHERE rolname = 'drawgear_service') THEN
        CREATE ROLE drawgear_service NOLOGIN;
        EXECUTE format('GRANT drawgear_service TO %I', current_user);
    END IF;
EXCEPTION WHEN duplicate_object OR unique_violation THEN
    NULL; -- made just now, by the migration of another database
END $$;
-- +goose StatementEnd

-- The service compares the version of the schema with the one it knows.
GRANT SELECT ON drawgear_schema TO drawgear_service;

-- Whose data a transaction may see. A setting that was made for a transaction
-- that is over reads as empty, not as null.
CREATE FUNCTION drawgear_tenant() RETURNS uuid
    LANGUAGE sql STABLE PARALLEL SAFE
    RETURN nullif(current_setting('drawgear.tenant', true), '')::uuid;

CREATE TABLE tenants (
    id         uuid        PRIMARY KEY,
    name       text        NOT NULL CHECK (name <> ''),
    created_at timestamptz NOT NULL DEFAULT now()
);

-- The tenant of a service that is run for one house, without keys.
INSERT INTO tenants (id, name) VALUES ('00000000-0000-0000-0000-000000000001', 'default');

-- FORCE: the policies hold for the owner of the tables too.
ALTER TABLE tenants ENABLE ROW LEVEL SECURITY, FORCE ROW LEVEL SECURITY;
CREATE POLICY own ON tenants USING (id = drawgear_tenant());
GRANT SELECT, INSERT ON tenants TO drawgear_service;

CREATE TABLE api_keys (
    id            text        COLLATE "C" PRIMARY KEY CHECK (id <> ''), -- the part of a key that is no secret
    tenant_id     uuid        NOT NULL REFERENCES tenants,
    name          text        NOT NULL,
    secret_sha256 bytea       NOT NULL CHECK (octet_length(secret_sha256) = 32),
    scopes        text[]      NOT NULL CHECK (scopes <@ ARRAY['assess', 'read', 'audit', 'author', 'approve', 'admin']),
    created_at    timestamptz NOT NULL DEFAULT now(),
    expires_at    timestamptz,
    revoked_at    timestamptz
);
-- A tenant's keys, newest first.
CREATE INDEX api_keys_listed ON api_keys (tenant_id, created_at, id);

ALTER TABLE api_keys ENABLE ROW LEVEL SECURITY, FORCE ROW LEVEL SECURITY;
CREATE POLICY own ON api_keys USING (tenant_id = drawgear_tenant());
-- Before a key is found nobody knows whose it is: the one row that is asked for
-- can be read, and no other.
CREATE POLICY presented ON api_keys FOR SELECT USING (id = current_setting('drawgear.key', true));
-- All that can happen to a key is to be revoked.
GRANT SELECT, INSERT, UPDATE (revoked_at) ON api_keys TO drawgear_service;

-- +goose Down
DROP TABLE api_keys;
DROP TABLE tenants;
DROP FUNCTION drawgear_tenant();
REVOKE SELECT ON drawgear_schema FROM drawgear_service;
-- The role stays: other databases of the server may lean on it.
