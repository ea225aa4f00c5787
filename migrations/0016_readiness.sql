-- Readiness of a whole clinic is asked for every few seconds, so it must not walk through what was recorded well.

-- From the latest blocking task of a routine on a subject backwards: the first good record ends the look.
create index task_blocking on task (group_id, subject_id, routine_id, blocks_at desc, task_id desc)
    where blocks_at is not null;
