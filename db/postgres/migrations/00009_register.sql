-- +goose Up

-- The newest revision of everything in the register: only a new revision moves
-- it. Lists are read off its indexes.
CREATE TABLE register_heads (
    tenant_id   uuid    NOT NULL REFERENCES tenants,
    kind        text    COLLATE "C" NOT NULL CHECK (kind IN ('vehicles', 'trailers', 'parts', 'pairings')),
    id          text    COLLATE "C" NOT NULL CHECK (char_length(id) BETWEEN 1 AND 64),
    revision    integer NOT NULL CHECK (revision > 0),
    yard        text    COLLATE "C" NOT NULL,
    fitted_kind text    COLLATE "C" NOT NULL, -- both empty for nothing
    fitted_id   text    COLLATE "C" NOT NULL,
    removed     boolean NOT NULL,
    PRIMARY KEY (tenant_id, kind, id) -- a list with what was removed
);
-- What is there; of one yard; the parts of one vehicle or trailer; and who has
-- pairings at all, tenant by tenant.
CREATE INDEX register_heads_there ON register_heads (tenant_id, kind, id) WHERE NOT removed;
CREATE INDEX register_heads_by_yard ON register_heads (tenant_id, kind, yard, id);
CREATE INDEX register_heads_by_fitted ON register_heads (tenant_id, kind, fitted_kind, fitted_id, id) WHERE fitted_kind <> '';
CREATE INDEX register_heads_paired ON register_heads (tenant_id) WHERE kind = 'pairings' AND NOT removed;

ALTER TABLE register_heads ENABLE ROW LEVEL SECURITY, FORCE ROW LEVEL SECURITY;
CREATE POLICY own ON register_heads USING (tenant_id = drawgear_tenant());
-- Whom a change of law may concern is looked for among all tenants.
CREATE POLICY paired ON register_heads FOR SELECT
    USING (kind = 'pairings' AND NOT removed AND current_setting('drawgear.paired', true) = 'on');
GRANT SELECT ON register_heads TO drawgear_service;

CREATE TABLE register_entries (
    tenant_id   uuid        NOT NULL,
    kind        text        COLLATE "C" NOT NULL,
    id          text        COLLATE "C" NOT NULL,
    revision    integer     NOT NULL,
    written_at  timestamptz NOT NULL CHECK (isfinite(written_at)),
    written_by  text        NOT NULL, -- subject
    since       date        NOT NULL CHECK (isfinite(since)),
    yard        text        COLLATE "C" NOT NULL,
    fitted_kind text        COLLATE "C" NOT NULL CHECK (fitted_kind = '' OR kind = 'parts' AND fitted_kind IN ('vehicles', 'trailers')),
    fitted_id   text        COLLATE "C" NOT NULL CHECK ((fitted_kind = '') = (fitted_id = '')),
    note        text        NOT NULL,
    removed     boolean     NOT NULL,
    document    bytea       NOT NULL, -- JSON, as bytes: jsonb would not give them back as they were
    PRIMARY KEY (tenant_id, kind, id, revision),
    FOREIGN KEY (tenant_id, kind, id) REFERENCES register_heads
);
-- Which parts were ever fitted to something, and since which revision.
CREATE INDEX register_entries_by_fitted ON register_entries (tenant_id, kind, fitted_kind, fitted_id, id, revision) WHERE fitted_kind <> '';

ALTER TABLE register_entries ENABLE ROW LEVEL SECURITY, FORCE ROW LEVEL SECURITY;
CREATE POLICY own ON register_entries USING (tenant_id = drawgear_tenant());
GRANT SELECT, INSERT ON register_entries TO drawgear_service;

-- A revision that is not the next is left out; the store looks what it wrote.
-- Writers of one entry wait for each other here, also for its first revision. It
-- runs as the owner of the tables, for nobody else may move a head.
-- +goose StatementBegin
CREATE FUNCTION drawgear_move_register() RETURNS trigger
    LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
BEGIN
    IF NEW.tenant_id IS DISTINCT FROM drawgear_tenant() THEN
        RETURN NULL;
    END IF;
    IF NEW.revision = 1 THEN
        INSERT INTO register_heads (tenant_id, kind, id, revision, yard, fitted_kind, fitted_id, removed)
            VALUES (NEW.tenant_id, NEW.kind, NEW.id, 1, NEW.yard, NEW.fitted_kind, NEW.fitted_id, NEW.removed)
            ON CONFLICT DO NOTHING;
    ELSE
        UPDATE register_heads SET revision = NEW.revision, yard = NEW.yard,
            fitted_kind = NEW.fitted_kind, fitted_id = NEW.fitted_id, removed = NEW.removed
            WHERE tenant_id = NEW.tenant_id AND kind = NEW.kind AND id = NEW.id AND revision = NEW.revision - 1;
    END IF;
    IF FOUND THEN
        RETURN NEW;
    END IF;
    RETURN NULL;
END $$;
-- +goose StatementEnd
CREATE TRIGGER move_register BEFORE INSERT ON register_entries
    FOR EACH ROW EXECUTE FUNCTION drawgear_move_register();

-- Not even the owner of the tables changes what was written, or takes an entry
-- anywhere but on.
-- +goose StatementBegin
CREATE FUNCTION drawgear_keep_register() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF TG_TABLE_NAME = 'register_heads' AND TG_OP = 'UPDATE' THEN
        IF (NEW.tenant_id, NEW.kind, NEW.id, NEW.revision) = (OLD.tenant_id, OLD.kind, OLD.id, OLD.revision + 1) THEN
            RETURN NEW;
        END IF;
    END IF;
    RAISE EXCEPTION 'what was written to the register does not change' USING ERRCODE = 'restrict_violation';
END $$;
-- +goose StatementEnd
CREATE TRIGGER keep_register_heads BEFORE UPDATE OR DELETE ON register_heads
    FOR EACH ROW EXECUTE FUNCTION drawgear_keep_register();
CREATE TRIGGER keep_register_entries BEFORE UPDATE OR DELETE ON register_entries
    FOR EACH ROW EXECUTE FUNCTION drawgear_keep_register();

-- Keys may write the register.
ALTER TABLE api_keys DROP CONSTRAINT api_keys_scopes_check;
ALTER TABLE api_keys ADD CONSTRAINT api_keys_scopes_check
    CHECK (scopes <@ ARRAY['assess', 'read', 'fit', 'fleet', 'audit', 'author', 'approve', 'admin']);

-- +goose Down
ALTER TABLE api_keys DROP CONSTRAINT api_keys_scopes_check;
-- Of all tenants, which the policies would hide from the owner.
ALTER TABLE api_keys NO FORCE ROW LEVEL SECURITY;
UPDATE api_keys SET scopes = array_remove(scopes, 'fleet') WHERE 'fleet' = ANY (scopes);
ALTER TABLE api_keys FORCE ROW LEVEL SECURITY;
ALTER TABLE api_keys ADD CONSTRAINT api_keys_scopes_check
    CHECK (scopes <@ ARRAY['assess', 'read', 'fit', 'audit', 'author', 'approve', 'admin']);
DROP TABLE register_entries, register_heads;
DROP FUNCTION drawgear_move_register, drawgear_keep_register;
