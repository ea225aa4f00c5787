-- When a test was made that a completion tells of: when it was run or sampled, where its result came later. One definition, for
-- windows, rows of tests and the loads that a test covers all count from it.
create function test_made_at(in_group uuid, in_day date, in_task uuid, in_performed_at timestamptz) returns timestamptz
language sql stable
as $$
    select coalesce((select min(p.performed_at) from completion p
                     where p.group_id = in_group and p.clinic_day = in_day and p.task_id = in_task
                       and p.verdict = 'result_pending'), in_performed_at)
$$;
grant execute on function test_made_at(uuid, date, uuid, timestamptz) to chairtide_app;
