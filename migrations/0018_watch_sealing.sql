-- How far behind sealing is, for the health answer and the metrics: one instant, no tenant's data. A day that waits may
-- be one that cannot be sealed (clinic_seal.last_error says why), and then nothing recorded since is guarded.
create function oldest_seal_due() returns timestamptz
language sql stable security definer set search_path = public, pg_temp
as $$ select min(least(seal_due_at, check_due_at)) from clinic_seal $$;
revoke all on function oldest_seal_due() from public;
grant execute on function oldest_seal_due() to chairtide_app;
