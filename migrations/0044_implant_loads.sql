-- A load with implantable devices waits for a spore test of its own (CDC, MMWR 52(RR-17) 2003, rec. VI.G): its cycle is what
-- puts it out of use.
alter table quarantine drop constraint quarantine_cause_known;
alter table quarantine add constraint quarantine_cause_known check (cause in
    ('completion', 'corrective_action', 'lot', 'cycle', 'person')); -- src/domain/quarantine.rs; a test holds the two equal
comment on column reporting.quarantines.cause is 'completion, corrective_action, lot, cycle or person; more may come.';
comment on column reporting.quarantines.cause_id is
    'The completion, corrective action, lot or cycle; null: a person''s judgement.';
