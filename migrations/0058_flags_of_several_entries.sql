-- Flags that several entries of one person raise together: a burst, and what was entered at one go. They are raised for each
-- of the entries, whichever of them came last, so that they hang on the entries and not on the order of their arrival. They
-- follow from the completions, which are sealed; these rows are what was found by then, and go with their completion.
create table raised_flag (
    group_id      uuid not null,            -- the tenant leads every key
    completion_id uuid not null,            -- the entry it is about
    flag          text not null check (flag ~ '^[a-z_]{1,40}$'), -- stable names: src/domain/flags.rs
    clinic_id     uuid not null,
    clinic_day    date not null,            -- of the completion's task: its partition
    recorded_at   timestamptz not null,     -- when the last of the entries that show it came
    primary key (group_id, completion_id, flag),
    foreign key (group_id, clinic_day, completion_id) references completion (group_id, clinic_day, completion_id)
        on delete cascade
);
create index raised_flag_recorded on raised_flag (group_id, clinic_id, recorded_at, completion_id, flag); -- what is exported
alter table raised_flag enable row level security;
create policy tenant on raised_flag using (group_id = tenant_id());
grant select, insert on raised_flag to chairtide_app;

-- Who entered what at one go, whenever it was done.
create index completion_entered on completion (group_id, clinic_id, entered_at) where entered_at is not null;

create view reporting.raised_flags with (security_barrier) as
select f.completion_id, f.flag, f.clinic_id, f.clinic_day, f.recorded_at
from public.raised_flag f
where f.group_id = (select reader.group_id from public.reporting_reader reader);
comment on view reporting.raised_flags is
    'One row for a flag that a completion has because of others beside it, the last of which may have come later; never changed.';
comment on column reporting.raised_flags.completion_id is 'The completion, as in reporting.completions.';
comment on column reporting.raised_flags.flag is 'burst or entered_together; more may come.';
comment on column reporting.raised_flags.clinic_id is 'The clinic of the completion.';
comment on column reporting.raised_flags.clinic_day is 'Clinic day of the completion''s task (local date).';
comment on column reporting.raised_flags.recorded_at is 'Instant at which the last of the completions that show it came.';
comment on column reporting.completions.flags is
    'What a lead should look at, as stable names; empty: nothing; null in rows from before there were flags. What several completions show only together stands in reporting.raised_flags.';
grant select on reporting.raised_flags to chairtide_reporting;
