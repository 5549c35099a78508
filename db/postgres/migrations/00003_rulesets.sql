-- +goose Up

CREATE TABLE ruleset_versions (
    tenant_id    uuid    REFERENCES tenants, -- null: shipped with the program, for all
    ruleset      text    COLLATE "C" NOT NULL CHECK (ruleset <> ''),
    version      integer NOT NULL CHECK (version > 0),
    jurisdiction text    NOT NULL,
    title        text    NOT NULL,
    state        text    NOT NULL CHECK (state IN ('draft', 'approved', 'published', 'withdrawn')),
    document     bytea   NOT NULL,
    sha256       text    NOT NULL, -- of the canonical form, in hexadecimal digits
    authored_by  text    NOT NULL,
    approved_by  text    NOT NULL,
    published_by text    NOT NULL,
    created_at   timestamptz NOT NULL,
    published_at timestamptz,
    withdrawn_at timestamptz,
    reason       text    NOT NULL, -- of the withdrawal
    -- Finds a version, and keeps one tenant from taking a number twice. All
    -- other reads want everything.
    UNIQUE NULLS NOT DISTINCT (tenant_id, ruleset, version),
    -- What is shipped was reviewed elsewhere.
    CONSTRAINT four_eyes CHECK (tenant_id IS NULL OR state = 'draft' OR approved_by NOT IN ('', authored_by)),
    CONSTRAINT nothing_before_its_time CHECK (
        (state <> 'draft' OR approved_by = '') AND
        (state IN ('published', 'withdrawn') OR published_at IS NULL) AND
        (state = 'withdrawn' OR withdrawn_at IS NULL AND reason = ''))
);

-- A tenant reads its own and what is shipped, and writes only its own. What is
-- shipped is written where no tenant is set: by the program itself, which also
-- reads what is published of all tenants, to evaluate by it.
ALTER TABLE ruleset_versions ENABLE ROW LEVEL SECURITY, FORCE ROW LEVEL SECURITY;
CREATE POLICY readable ON ruleset_versions FOR SELECT USING (tenant_id = drawgear_tenant() OR tenant_id IS NULL);
CREATE POLICY snapshot ON ruleset_versions FOR SELECT
    USING (state IN ('published', 'withdrawn') AND current_setting('drawgear.snapshot', true) = 'on');
CREATE POLICY added ON ruleset_versions FOR INSERT WITH CHECK (tenant_id IS NOT DISTINCT FROM drawgear_tenant());
CREATE POLICY changed ON ruleset_versions FOR UPDATE USING (tenant_id IS NOT DISTINCT FROM drawgear_tenant());
GRANT SELECT, INSERT ON ruleset_versions TO drawgear_service;
-- Whose it is, and its number, are settled when it is made.
GRANT UPDATE (jurisdiction, title, state, document, sha256, authored_by, approved_by, published_by,
    created_at, published_at, withdrawn_at, reason) ON ruleset_versions TO drawgear_service;

-- Grants cannot tell a draft from a published version.
-- +goose StatementBegin
CREATE FUNCTION drawgear_keep_versions() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    allowed ruleset_versions := OLD;
BEGIN
    IF TG_OP = 'UPDATE' THEN
        -- The next step of a life, with what belongs to it, and nothing else.
        allowed.state := NEW.state;
        CASE OLD.state || ' ' || NEW.state
            WHEN 'draft draft' THEN RETURN NEW;
            WHEN 'draft approved' THEN allowed.approved_by := NEW.approved_by;
            WHEN 'approved published' THEN
                allowed.published_by := NEW.published_by;
                allowed.published_at := NEW.published_at;
            WHEN 'published withdrawn' THEN
                allowed.withdrawn_at := NEW.withdrawn_at;
                allowed.reason := NEW.reason;
            ELSE allowed := NULL;
        END CASE;
        IF NEW IS NOT DISTINCT FROM allowed THEN
            RETURN NEW;
        END IF;
    ELSIF OLD.state IN ('draft', 'approved') THEN
        RETURN OLD;
    END IF;
    RAISE EXCEPTION 'version % of % is % and does not change', OLD.version, OLD.ruleset, OLD.state
        USING ERRCODE = 'restrict_violation';
END $$;
-- +goose StatementEnd

-- Replicas evaluate by a snapshot of what is published.
-- +goose StatementBegin
CREATE FUNCTION drawgear_tell_versions() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    PERFORM pg_notify('drawgear_versions', '');
    RETURN NULL;
END $$;
-- +goose StatementEnd
CREATE TRIGGER keep_versions BEFORE UPDATE OR DELETE ON ruleset_versions
    FOR EACH ROW EXECUTE FUNCTION drawgear_keep_versions();
CREATE TRIGGER tell_versions AFTER INSERT OR UPDATE ON ruleset_versions
    FOR EACH ROW WHEN (NEW.state IN ('published', 'withdrawn')) EXECUTE FUNCTION drawgear_tell_versions();

-- +goose Down
DROP TABLE ruleset_versions;
DROP FUNCTION drawgear_keep_versions, drawgear_tell_versions;
