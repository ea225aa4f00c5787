-- What new zone data moved. An upgrade can shift the instant of work that people have already seen on a list; whoever
-- asks must be told which clinics and which tasks, from when to when.
create table zone_move (
    group_id      uuid not null,            -- the tenant leads every key
    clinic_id     uuid not null,
    moved_at      timestamptz not null,     -- when the clinic was planned with the new data, by the service's clock
    task_id       uuid not null,
    from_release  text not null,            -- the zone data the task was planned with before
    to_release    text not null,
    anchor_before timestamptz not null,
    anchor_after  timestamptz not null,
    primary key (group_id, clinic_id, moved_at, task_id),
    foreign key (group_id, clinic_id) references clinic
);
create index zone_move_newest on zone_move (group_id, moved_at desc, task_id);
alter table zone_move enable row level security;
create policy tenant on zone_move using (group_id = tenant_id());
grant select, insert on zone_move to chairtide_app;
