-- What was said of the failures of a corrective action, first to last: each completion that opened it or was noted on it as a
-- further failure, and whatever took its place. What awaits a result is followed by the result, which corrects nothing.
-- One definition, for who had a hand in it and for whether a failure is left must not differ.
create function said_of_failures(in_group uuid, in_action uuid)
returns table (completion_id uuid, verdict text, performed_by text, staff_id uuid,
               is_failure boolean, -- it opened the action, or is a further failure
               is_last boolean)    -- nothing took its place
language sql stable
as $$
    with recursive failed as (
        select a.cause_id as completion_id from corrective_action a
        where a.group_id = in_group and a.action_id = in_action and a.cause = 'completion'
        union
        select n.completion_id from corrective_action_note n
        where n.group_id = in_group and n.action_id = in_action and n.kind = 'further_failure'
    ), said as (
        select c.clinic_day, c.task_id, c.completion_id, c.verdict, c.recorded_at, c.performed_by, c.staff_id,
               null::uuid as follows
        from failed f
        join completion_receipt r on r.group_id = in_group and r.completion_id = f.completion_id
        join completion c on c.group_id = in_group and c.clinic_day = r.clinic_day and c.completion_id = r.completion_id
        union
        select x.clinic_day, x.task_id, x.completion_id, x.verdict, x.recorded_at, x.performed_by, x.staff_id,
               s.completion_id
        from said s
        join completion x on x.group_id = in_group and x.clinic_day = s.clinic_day and x.task_id = s.task_id
         and (x.corrects = s.completion_id
              or s.verdict = 'result_pending' and x.corrects is null and not x.duplicate and x.recorded_at > s.recorded_at)
    )
    select distinct s.completion_id, s.verdict, s.performed_by, s.staff_id,
           s.completion_id in (select f.completion_id from failed f),
           not exists (select from said n where n.follows = s.completion_id)
    from said s
$$;
grant execute on function said_of_failures(uuid, uuid) to chairtide_app;
