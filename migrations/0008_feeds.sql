-- Calendar feeds: an address that shows a clinic's tasks to a calendar program, which can send no key.
--
-- Whoever has the address has the feed, so it is made like a key: it names its group, so that the look-up runs under
-- row-level security; its secret is shown once and kept as a hash; and it is revoked, not forgotten.
create table calendar_feed (
    group_id     uuid not null references dental_group,
    feed_id      uuid not null,                          -- made by the client, so that a repeat makes no second address
    clinic_id    uuid not null,                          -- whose tasks it shows
    label        text not null check (label <> ''),      -- what its maker calls it, to know which to revoke
    audience     text not null constraint calendar_feed_audience_known
                 check (audience in ('chairside', 'clinic_lead', 'group_manager')),
    component    text not null constraint calendar_feed_component_known
                 check (component in ('event', 'task')), -- calendar programs differ in which of the two they show
    secret_hash  bytea not null check (octet_length(secret_hash) = 32), -- SHA-256 of a 256-bit random secret
    created_at   timestamptz not null,
    created_by   uuid not null,                          -- the key that made it
    revoked_at   timestamptz,                            -- set once; the row is kept, so that the id is not used again
    last_used_at timestamptz,                            -- to the minute, so that reading does not become writing
    primary key (group_id, feed_id),
    foreign key (group_id, clinic_id) references clinic (group_id, clinic_id),
    foreign key (group_id, created_by) references api_key (group_id, key_id)
);
create unique index calendar_feed_secret on calendar_feed (group_id, secret_hash);
create index calendar_feed_clinic on calendar_feed (group_id, clinic_id);

alter table calendar_feed enable row level security;
create policy tenant on calendar_feed using (group_id = tenant_id());
grant select, insert, update (revoked_at, last_used_at) on calendar_feed to chairtide_app;
