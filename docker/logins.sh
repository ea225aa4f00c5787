#!/bin/sh
# Makes the owner, the service's login and the database. Run once by the Postgres image; elsewhere, run the same SQL
# as a superuser.
#
# The roles chairtide_app and chairtide_reporting are made here and not left to the first migration, because making
# roles takes more rights than the owner needs afterwards. The owner may hand out chairtide_reporting: `chairtide
# reporting grant` does.
set -eu

psql --set ON_ERROR_STOP=1 --username postgres --dbname postgres \
    --set owner_password="$CHAIRTIDE_OWNER_PASSWORD" \
    --set service_password="$CHAIRTIDE_SERVICE_PASSWORD" <<'SQL'
create role chairtide_app nologin noinherit;
create role chairtide_reporting nologin;
create role chairtide_owner login password :'owner_password';
create role chairtide_service login noinherit password :'service_password';
grant chairtide_app to chairtide_service;
grant chairtide_reporting to chairtide_owner with admin option;
create database chairtide owner chairtide_owner;
SQL
