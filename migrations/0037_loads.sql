-- Loads: what is said of a cycle beside its readings, what that amounts to, and what became of a load that was put out of use.

-- Old records keep nulls here, so what was sealed of them stays as it was.
alter table cycle_record
    add column load_reference     text constraint cycle_record_load_short check (char_length(load_reference) between 1 and 80),
                                            -- what the load is called on its packs; null: not told
    add column holds_implants     boolean,  -- whether implantable devices were in it, which are withdrawn first; null: not told
    add column chamber            text constraint cycle_record_chamber_known check (chamber in ('loaded', 'empty')),
                                            -- what was in the chamber: an empty cycle breaks no row of tests; null: not told
    add column outcome_as_printed text constraint cycle_record_outcome_known check
        (outcome_as_printed in ('complete', 'aborted', 'fault')), -- how it ended by the machine's print; null: not told
    add column printed_words      text constraint cycle_record_words_short check (char_length(printed_words) between 1 and 200),
                                            -- the machine's own words; null: not told
    add column verdict            text constraint cycle_record_verdict_known check (verdict in ('passed', 'failed')),
                                            -- what the record amounted to when it came; null: nothing of it could be judged
    add column finding            text,     -- why, and what could not be judged; null: nothing to be seen
    add column limits             jsonb;    -- the limits that decided, as they were then: src/domain/limit.rs; null: none
-- From the label on a pack to its cycle.
create index cycle_record_of_load on cycle_record (group_id, clinic_id, load_reference) where load_reference is not null;
create index quarantine_of_load on quarantine (group_id, clinic_id, load_reference) where load_reference is not null;
create index quarantine_of_cycle on quarantine (group_id, cycle_id) where cycle_id is not null;
-- From the label to the work that names it.
create index step_result_labels on step_result using gin ((given -> 'labels') jsonb_path_ops) where kind = 'reference';

-- What was processed again or thrown away does not go back to use as it was, so it need not wait for the machine's repair.
alter table quarantine_release
    add column disposition text constraint quarantine_release_disposition_known check
        (disposition in ('processed_again', 'discarded')); -- of a load; null: it goes back to use as it was, or is no load

-- A record of a cycle that falls short opens an action as a completion does.
alter table corrective_action drop constraint corrective_action_cause_known;
alter table corrective_action add constraint corrective_action_cause_known check (cause in
    ('completion', 'lot', 'missed_task', 'person', 'water_advisory', 'cycle')); -- src/domain/corrective_action.rs

-- A view can gain columns at its end; the others keep their names, units and meaning.
create or replace view reporting.cycle_records with (security_barrier) as
select r.cycle_id, r.number, r.clinic_id, r.subject_id, r.performed_by, r.reason, r.recorded_at, r.key_id,
       jsonb_array_length(r.readings) as reading_count, r.readings, r.band, r.load_reference, r.holds_implants, r.chamber,
       r.outcome_as_printed, r.printed_words, r.verdict, r.finding, r.limits
from public.cycle_record r
where r.group_id = (select reader.group_id from public.reporting_reader reader);
comment on column reporting.cycle_records.band is
    'JSON object: the band it is held against, with lowest_celsius, highest_celsius (decimal text), source and, where somebody set a time of their own, holding; else null.';
comment on column reporting.cycle_records.load_reference is 'What the load is called on its packs; null: not told.';
comment on column reporting.cycle_records.holds_implants is 'Whether implantable devices were in the load; null: not told.';
comment on column reporting.cycle_records.chamber is 'loaded or empty; null: not told.';
comment on column reporting.cycle_records.outcome_as_printed is
    'How the cycle ended by the machine''s print: complete, aborted or fault; null: not told.';
comment on column reporting.cycle_records.printed_words is 'The machine''s own words; null: not told.';
comment on column reporting.cycle_records.verdict is
    'passed or failed: the print and the time at temperature against the limits of that day; no release. Null: nothing could be judged.';
comment on column reporting.cycle_records.finding is 'Why, and what could not be judged; null: nothing to be seen.';
comment on column reporting.cycle_records.limits is
    'JSON array of the limits that decided, with those of the law that were not kept: operator, value (decimal text, seconds), source; null: none.';

create or replace view reporting.quarantines with (security_barrier) as
select q.quarantine_id, q.clinic_id, q.subject_id, q.line, q.load_reference, q.cycle_id, q.cause, q.cause_id, q.reason,
       q.begun_at, q.recorded_at, q.begun_by, r.recorded_at as released_at, r.released_by, r.staff_id as released_by_staff_id,
       r.reason as release_reason, r.disposition as load_disposition
from public.quarantine q
left join public.quarantine_release r on r.group_id = q.group_id and r.quarantine_id = q.quarantine_id
where q.group_id = (select reader.group_id from public.reporting_reader reader);
comment on column reporting.quarantines.load_disposition is
    'What became of a load that does not go back to use as it was: processed_again or discarded; null: it stands, goes back as it was, or is no load.';
comment on column reporting.corrective_actions.cause is
    'completion, lot, missed_task, person, water_advisory or cycle; more may come.';
comment on column reporting.corrective_actions.cause_id is
    'The completion, lot, task, water advisory or the lifting of one, or cycle; null: a person opened it.';
