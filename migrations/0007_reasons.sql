-- What the plan knows about a task beyond its instants, and how often it changed its mind.
--
-- Both are the planner's own: `because` answers "why is this due now?" from what the planner did and not from a second
-- opinion; `revision` tells calendar programs that a task they show was moved (SEQUENCE of RFC 5545, section 3.8.7.4).
alter table task
    add column because jsonb,                       -- src/domain/plan/because.rs; null: planned before reasons were kept
    add column rough_minutes integer not null default 0 check (rough_minutes >= 0), -- the load it puts on its day
    add column revision integer not null default 0; -- how often the plan changed it

-- The last time a routine was done on a subject: what an interval counts from.
create index task_done on task (group_id, routine_id, subject_id, clinic_day) where outcome = 'done';
