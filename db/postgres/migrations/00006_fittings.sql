-- +goose Up

-- A fitting is what was written to it. This is where it stands: only a new
-- entry moves it.
CREATE TABLE fittings (
    tenant_id     uuid        NOT NULL,
    id            text        COLLATE "C" NOT NULL CHECK (id <> ''),
    created_at    timestamptz NOT NULL CHECK (isfinite(created_at)),
    jurisdiction  text        COLLATE "C" NOT NULL,
    as_of         date        NOT NULL,
    assessment_id text        COLLATE "C" NOT NULL, -- that the rig was taken from; empty for none
    state         text        COLLATE "C" NOT NULL CHECK (state IN ('planned', 'open', 'proven', 'signed')),
    revision      integer     NOT NULL CHECK (revision >= 0), -- of the last entry; 0 until the first, in the same step
    PRIMARY KEY (tenant_id, id)
);
-- One tenant's list, newest first, and the list narrowed to a state.
CREATE INDEX fittings_listed ON fittings (tenant_id, created_at, id);
CREATE INDEX fittings_by_state ON fittings (tenant_id, state, created_at, id);

ALTER TABLE fittings ENABLE ROW LEVEL SECURITY, FORCE ROW LEVEL SECURITY;
CREATE POLICY own ON fittings USING (tenant_id = drawgear_tenant());
-- Whatever else it is to be, it becomes by entries.
CREATE POLICY blank ON fittings AS RESTRICTIVE FOR INSERT WITH CHECK (state = 'planned' AND revision = 0);
GRANT SELECT, INSERT ON fittings TO drawgear_service;

CREATE TABLE fitting_entries (
    tenant_id  uuid        NOT NULL,
    fitting_id text        COLLATE "C" NOT NULL,
    revision   integer     NOT NULL CHECK (revision > 0),
    written_at timestamptz NOT NULL CHECK (isfinite(written_at)),
    written_by text        NOT NULL, -- subject
    state      text        COLLATE "C" NOT NULL, -- of the fitting from here on
    engine     text        NOT NULL, -- version of the program that wrote it
    given      bytea       NOT NULL, -- JSON, as bytes: jsonb would not give them back as they were
    made       bytea       NOT NULL,
    PRIMARY KEY (tenant_id, fitting_id, revision),
    FOREIGN KEY (tenant_id, fitting_id) REFERENCES fittings
);
ALTER TABLE fitting_entries ENABLE ROW LEVEL SECURITY, FORCE ROW LEVEL SECURITY;
CREATE POLICY own ON fitting_entries USING (tenant_id = drawgear_tenant());
GRANT SELECT, INSERT ON fitting_entries TO drawgear_service;

-- An entry that is not the next, or comes after the signature, is left out; the
-- store looks how many rows it wrote. To raise an error would end the
-- transaction of whoever wants to look again and write the next. It runs as the
-- owner of the tables, for nobody else may move a fitting.
-- +goose StatementBegin
CREATE FUNCTION drawgear_move_fitting() RETURNS trigger
    LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
BEGIN
    UPDATE fittings SET state = NEW.state, revision = NEW.revision
        WHERE tenant_id = NEW.tenant_id AND tenant_id = drawgear_tenant() AND id = NEW.fitting_id
        AND revision = NEW.revision - 1 AND state <> 'signed';
    IF FOUND THEN
        RETURN NEW;
    END IF;
    RETURN NULL;
END $$;
-- +goose StatementEnd
CREATE TRIGGER move_fitting BEFORE INSERT ON fitting_entries
    FOR EACH ROW EXECUTE FUNCTION drawgear_move_fitting();

-- Not even the owner of the tables changes what was written, or takes a fitting
-- anywhere but on.
-- +goose StatementBegin
CREATE FUNCTION drawgear_keep_fittings() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    allowed fittings;
BEGIN
    IF TG_TABLE_NAME = 'fittings' AND TG_OP = 'UPDATE' THEN
        allowed := OLD;
        allowed.state := NEW.state;
        allowed.revision := OLD.revision + 1;
        IF OLD.state <> 'signed' AND NEW IS NOT DISTINCT FROM allowed THEN
            RETURN NEW;
        END IF;
    END IF;
    RAISE EXCEPTION 'what was written to a fitting does not change' USING ERRCODE = 'restrict_violation';
END $$;
-- +goose StatementEnd
CREATE TRIGGER keep_fittings BEFORE UPDATE OR DELETE ON fittings
    FOR EACH ROW EXECUTE FUNCTION drawgear_keep_fittings();
CREATE TRIGGER keep_fitting_entries BEFORE UPDATE OR DELETE ON fitting_entries
    FOR EACH ROW EXECUTE FUNCTION drawgear_keep_fittings();

-- Keys may record what was measured, and sign.
ALTER TABLE api_keys DROP CONSTRAINT api_keys_scopes_check;
ALTER TABLE api_keys ADD CONSTRAINT api_keys_scopes_check
    CHECK (scopes <@ ARRAY['assess', 'read', 'fit', 'audit', 'author', 'approve', 'admin']);

-- +goose Down
ALTER TABLE api_keys DROP CONSTRAINT api_keys_scopes_check;
-- Of all tenants, which the policies would hide from the owner.
ALTER TABLE api_keys NO FORCE ROW LEVEL SECURITY;
UPDATE api_keys SET scopes = array_remove(scopes, 'fit') WHERE 'fit' = ANY (scopes);
ALTER TABLE api_keys FORCE ROW LEVEL SECURITY;
ALTER TABLE api_keys ADD CONSTRAINT api_keys_scopes_check
    CHECK (scopes <@ ARRAY['assess', 'read', 'audit', 'author', 'approve', 'admin']);
DROP TABLE fitting_entries, fittings;
DROP FUNCTION drawgear_move_fitting, drawgear_keep_fittings;
