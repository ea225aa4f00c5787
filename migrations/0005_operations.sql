-- What the service may know about the state of its own database.
--
-- It never migrates with its own rights, but it must be able to say at /health/ready whether the schema under it is
-- the one it was built for. The table is sqlx's own and exists before the first migration runs.
grant select (version, checksum, success) on _sqlx_migrations to chairtide_app;
