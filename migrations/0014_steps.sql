-- More kinds of steps, what they are judged by, and the records of cycles.

-- A kind of step has its own answer. Old rows keep nulls here, so what was sealed of them stays as it was.
alter table step_result
    add column maximum_seconds   integer,   -- longest hold the step allowed; null: it stated none, or is no hold
    add column too_many_to_count boolean,   -- a reading for which no number can be told; null: one was told, or none asked
    add column instrument_id     uuid,      -- what a reading was taken with; null: not named
    add column given             jsonb,     -- answer of a kind of its own: shapes in src/domain/evidence/given.rs
    add column lines             jsonb;     -- bottles of a water sample with what decided: src/domain/water_sample.rs
alter table step_result drop constraint step_result_kind_known, drop constraint step_result_verdict_known;
alter table step_result
    add constraint step_result_kind_known check (kind in
        ('confirmation', 'hold', 'reading', 'product', 'choice', 'count', 'reference', 'text', 'spore_test',
         'water_sample')),
    -- void: a test that shows nothing, as a spore test whose control did not grow
    add constraint step_result_verdict_known check (verdict in
        ('passed', 'failed', 'result_pending', 'not_applicable', 'void'));

-- What readings are taken with.
create table instrument (
    group_id            uuid not null references dental_group, -- the tenant leads every key
    instrument_id       uuid not null,      -- made by the client
    clinic_id           uuid not null,      -- where it belongs: a reading of another clinic cannot name it
    name                text not null check (name <> ''),
    serial              text not null default '', -- as engraved; may be empty
    calibrated_on       date,               -- last calibration; null: none is known, and readings say so
    calibration_ends_on date,               -- last day that counts; null: it does not end
    created_at          timestamptz not null,
    updated_at          timestamptz not null,
    primary key (group_id, instrument_id),
    foreign key (group_id, clinic_id) references clinic,
    constraint instrument_calibrated check (calibration_ends_on is null or calibrated_on <= calibration_ends_on)
);
create index instrument_of_clinic on instrument (group_id, clinic_id);

-- Limits that are set beside those of a routine's step. What was judged keeps the limits it was judged by, so an edit
-- here moves nothing that was recorded; a limit ends by its own last day.
create table own_limit (
    group_id     uuid not null references dental_group, -- the tenant leads every key
    own_limit_id uuid not null,             -- made by the client
    clinic_id    uuid,                      -- the clinic they hold for; null: the whole group
    routine_id   uuid not null,             -- the routine …
    step_key     text not null,             -- … and its step
    limits       jsonb not null,            -- src/domain/limit.rs, each with who set it, source and dates
    reason       text not null check (reason <> ''), -- why somebody set them
    created_at   timestamptz not null,
    updated_at   timestamptz not null,
    primary key (group_id, own_limit_id),
    foreign key (group_id, clinic_id) references clinic,
    foreign key (group_id, routine_id) references routine
);
create index own_limit_of_routine on own_limit (group_id, routine_id);

-- What a steriliser or washer wrote down of one cycle. Evidence: a record that was wrong is followed by another.
create table cycle_record (
    group_id     uuid not null,             -- the tenant leads every key
    cycle_id     uuid not null,             -- made by the client: of the cycle, whose end may be posted as well
    number       integer not null check (number >= 0), -- 0, and one more for each correction
    clinic_id    uuid not null,             -- where the equipment stood when it was recorded
    subject_id   uuid not null,             -- which equipment
    readings     jsonb not null,            -- seconds, degrees Celsius and kilopascal as decimal text
    band         jsonb,                     -- the temperature band it is held against, with its source; null: none
    performed_by text not null check (performed_by <> ''), -- who handed it in
    reason       text not null default '',  -- of a correction; empty for the first
    recorded_at  timestamptz not null,      -- when it reached us
    key_id       uuid not null,             -- the device or system that posted it
    primary key (group_id, cycle_id, number),
    foreign key (group_id, clinic_id) references clinic,
    foreign key (group_id, subject_id) references subject
);
create index cycle_record_recorded on cycle_record (group_id, clinic_id, recorded_at); -- the span of a seal
create index cycle_record_of_subject on cycle_record (group_id, subject_id, recorded_at desc);

do $$
declare t text;
begin
    foreach t in array array['instrument', 'own_limit', 'cycle_record'] loop
        execute format('alter table %I enable row level security', t);
        execute format('create policy tenant on %I using (group_id = tenant_id())', t);
    end loop;
end $$;
grant select, insert, update on instrument, own_limit to chairtide_app;
grant select, insert on cycle_record to chairtide_app;

-- A view can gain columns at its end; the others keep their names, units and meaning.
create or replace view reporting.step_results with (security_barrier) as
select r.completion_id, r.clinic_day, r.step_key, r.ordinal, r.kind, r.status, r.verdict, r.finding, r.hold_id,
       r.elapsed_seconds, r.measured_by, r.minimum_seconds, r.qualifier, r.value, r.unit, r.limits, r.reason,
       r.lot_id, r.product_version, r.mixed_at, r.maximum_seconds, coalesce(r.too_many_to_count, false) as too_many_to_count, r.instrument_id, r.given
from public.step_result r
where r.group_id = (select l.group_id from public.reporting_login l where l.login = session_user);
comment on column reporting.step_results.kind is
    'confirmation, hold, reading, product, choice, count, reference, text, spore_test or water_sample; more may come.';
comment on column reporting.step_results.verdict is
    'By its rule: passed, failed, result_pending, not_applicable or void (a test that shows nothing).';
comment on column reporting.step_results.finding is
    'Why it failed, and what is to be seen beside the verdict; else empty.';
comment on column reporting.step_results.limits is
    'JSON array of the limits that decided, each with the stricter ones of the law behind it: operator (lt, le, ge, gt), value (decimal text), unit (UCUM), source, effective_from, effective_until, set_by, jurisdiction, legal; else null.';
comment on column reporting.step_results.maximum_seconds is 'Longest hold the step allowed, in seconds; else null.';
comment on column reporting.step_results.too_many_to_count is
    'A reading for which no number can be told; it is above every limit from above.';
comment on column reporting.step_results.instrument_id is
    'What a reading was taken with, as in reporting.instruments; null: not named.';
comment on column reporting.step_results.given is
    'JSON object of an answer of its own kind, by its member kind: choice, count, reference, text, spore_test, water_drawn or water_sample; else null.';

create view reporting.instruments with (security_barrier) as
select i.instrument_id, i.clinic_id, i.name, i.serial, i.calibrated_on, i.calibration_ends_on
from public.instrument i
where i.group_id = (select l.group_id from public.reporting_login l where l.login = session_user);
comment on view reporting.instruments is 'One row an instrument that readings are taken with.';
comment on column reporting.instruments.instrument_id is 'Identity (UUID).';
comment on column reporting.instruments.clinic_id is 'The clinic it belongs to.';
comment on column reporting.instruments.name is 'What people call it.';
comment on column reporting.instruments.serial is 'Serial number as entered; may be empty.';
comment on column reporting.instruments.calibrated_on is 'Local date of the last calibration; null: none is known.';
comment on column reporting.instruments.calibration_ends_on is 'Last local date that counts; null: it does not end.';

create view reporting.water_results with (security_barrier) as
select s.completion_id, s.clinic_day, c.clinic_id, t.subject_id, s.step_key, (b.ordinality - 1)::integer as bottle,
       array(select jsonb_array_elements_text(b.line -> 'lines')) as lines,
       (b.line ->> 'pool_size')::integer as pool_size,
       (s.given #>> '{sample,drawn_on}')::date as drawn_on,
       s.given #>> '{sample,draw,kind}' as draw,
       s.given #>> '{sample,laboratory}' as laboratory,
       b.line #>> '{reading,qualifier}' as qualifier,
       (b.line #>> '{reading,value}')::numeric as cfu_per_ml,
       b.line #>> '{decided,deciding,limit,operator}' as limit_operator,
       (b.line #>> '{decided,deciding,limit,value}')::numeric as limit_cfu_per_ml,
       (b.line #>> '{decided,deciding,kept}')::boolean as kept,
       (b.line #>> '{beside,interval,lower}')::numeric as lower_cfu_per_ml,
       (b.line #>> '{beside,interval,upper}')::numeric as upper_cfu_per_ml,
       b.line #>> '{pool,finding}' as pool_finding
from public.step_result s
join public.completion c on c.group_id = s.group_id and c.clinic_day = s.clinic_day
                        and c.completion_id = s.completion_id
join public.task t on t.group_id = c.group_id and t.clinic_day = c.clinic_day and t.task_id = c.task_id
cross join lateral jsonb_array_elements(s.lines) with ordinality as b(line, ordinality)
where s.group_id = (select l.group_id from public.reporting_login l where l.login = session_user)
  and s.kind = 'water_sample' and jsonb_typeof(s.lines) = 'array';
comment on view reporting.water_results is
    'One row a bottle of a water sample, with the limit that decided. A result may be followed by another that corrects it: see reporting.completions.corrects. Kept by month of clinic_day.';
comment on column reporting.water_results.completion_id is 'The completion that holds the result.';
comment on column reporting.water_results.clinic_day is 'Clinic day of the task (local date).';
comment on column reporting.water_results.clinic_id is 'The clinic.';
comment on column reporting.water_results.subject_id is 'The operatory, as in reporting.subjects.';
comment on column reporting.water_results.step_key is 'Step of the routine.';
comment on column reporting.water_results.bottle is 'Place of the bottle in the sample, from 0.';
comment on column reporting.water_results.lines is 'The lines in the bottle, in equal parts.';
comment on column reporting.water_results.pool_size is 'How many lines are in it; 1: no pool.';
comment on column reporting.water_results.drawn_on is 'Local date on which the water was drawn.';
comment on column reporting.water_results.draw is 'first_draw or flushed.';
comment on column reporting.water_results.laboratory is 'Who read it.';
comment on column reporting.water_results.qualifier is 'lt, eq or gt: the true count lies below, at or above cfu_per_ml.';
comment on column reporting.water_results.cfu_per_ml is 'Point value in CFU/mL; with lt nothing was found.';
comment on column reporting.water_results.limit_operator is 'lt or le; null: no limit was in force.';
comment on column reporting.water_results.limit_cfu_per_ml is 'The limit that decided, in CFU/mL.';
comment on column reporting.water_results.kept is 'Whether the point value keeps the limit; null: its qualifier leaves that open.';
comment on column reporting.water_results.lower_cfu_per_ml is
    'Lower exact 95 % limit of the count, in CFU/mL; information only; null where no colonies were counted or for a pool.';
comment on column reporting.water_results.upper_cfu_per_ml is 'Upper one; information only.';
comment on column reporting.water_results.pool_finding is
    'every_line_within, open_for_each_line or some_line_outside: what a pool says about one line; null: no pool.';

create view reporting.cycle_records with (security_barrier) as
select r.cycle_id, r.number, r.clinic_id, r.subject_id, r.performed_by, r.reason, r.recorded_at, r.key_id,
       jsonb_array_length(r.readings) as reading_count, r.readings, r.band
from public.cycle_record r
where r.group_id = (select l.group_id from public.reporting_login l where l.login = session_user);
comment on view reporting.cycle_records is
    'One row a record of a cycle; never changed: the highest number of a cycle is the one that counts.';
comment on column reporting.cycle_records.cycle_id is 'Identity of the cycle (UUID).';
comment on column reporting.cycle_records.number is '0, and one more for each correction.';
comment on column reporting.cycle_records.clinic_id is 'The clinic the equipment stood in.';
comment on column reporting.cycle_records.subject_id is 'The equipment, as in reporting.subjects.';
comment on column reporting.cycle_records.performed_by is 'The person who handed it in.';
comment on column reporting.cycle_records.reason is 'Why it was corrected; empty for the first.';
comment on column reporting.cycle_records.recorded_at is 'Instant at which the service received it.';
comment on column reporting.cycle_records.key_id is 'The device or system that posted it.';
comment on column reporting.cycle_records.reading_count is 'How many readings it has.';
comment on column reporting.cycle_records.readings is
    'JSON array of objects with elapsed_seconds, temperature_celsius and, where it was recorded, pressure_kilopascal, each as decimal text.';
comment on column reporting.cycle_records.band is
    'JSON object: the band it is held against, with lowest_celsius, highest_celsius (decimal text) and source; else null.';

grant select on reporting.instruments, reporting.water_results, reporting.cycle_records to chairtide_reporting;
