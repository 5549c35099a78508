-- +goose Up

-- The oldest replies, which is what expiry looks for.
CREATE INDEX idempotency_keys_expiring ON idempotency_keys (created_at);

-- Expiry belongs to no tenant: a transaction that asks for it sees what is old
-- of all tenants, and removes it.
CREATE POLICY expiring ON idempotency_keys
    USING (created_at < now() - interval '48 hours' AND current_setting('drawgear.expire', true) = 'on')
    WITH CHECK (false);
-- Nothing younger goes, not even by its own tenant: a client may still repeat
-- its request.
CREATE POLICY old_enough ON idempotency_keys AS RESTRICTIVE FOR DELETE USING (created_at < now() - interval '48 hours');
GRANT DELETE ON idempotency_keys TO drawgear_service;

-- +goose Down
REVOKE DELETE ON idempotency_keys FROM drawgear_service;
DROP POLICY old_enough ON idempotency_keys;
DROP POLICY expiring ON idempotency_keys;
DROP INDEX idempotency_keys_expiring;
