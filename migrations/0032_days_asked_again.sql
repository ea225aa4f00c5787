-- A day is signed only as long as its record has no gap that nobody explained; and a signature keeps the words its signer saw.

alter table day_to_sign
    -- When it was noticed that work of a signed day was missed and that no words say why: from then on the day asks for a
    -- signature again, and signed_at is null until it has one. Null: that was never so. A worklist and no evidence.
    add column reopened_at timestamptz;

alter table day_sign_off
    -- What had been said about gaps before the signature, as its signer saw it: array of gap, words, given_by, person.
    -- Null in rows of before it was kept.
    add column words_seen jsonb;

create or replace view reporting.day_sign_offs with (security_barrier) as
select d.clinic_id, d.clinic_day, d.due_by is not null as asked, d.due_by, d.overdue_at,
       f.recorded_at as signed_at, f.signed_by, f.staff_id as signed_by_staff_id,
       n.sign_offs, n.gaps_explained, f.task_counts,
       case when a.is_settled then null
            when f.recorded_at is not null then d.reopened_at
            when d.due_by <= k.as_of then d.due_by end as unsigned_since,
       l.level, d.rung_audience[l.level] as audience, k.as_of,
       case when d.reopened_at <= k.as_of then d.reopened_at end as reopened_at
from (select t.group_id, t.clinic_id, t.clinic_day, t.due_by, t.overdue_at, t.rung_at, t.rung_audience, t.reopened_at
      from public.day_to_sign t
      union all
      select s.group_id, s.clinic_id, s.clinic_day, null, null, null, null, null
      from public.day_sign_off s
      where s.number = 1
        and not exists (select from public.day_to_sign t where t.group_id = s.group_id and t.clinic_id = s.clinic_id
                                                           and t.clinic_day = s.clinic_day)) d
cross join reporting.clock k
left join public.day_sign_off f
       on f.group_id = d.group_id and f.clinic_id = d.clinic_id and f.clinic_day = d.clinic_day and f.number = 1
      and f.recorded_at <= k.as_of
cross join lateral (
    select count(*)::integer as sign_offs, coalesce(sum(jsonb_array_length(s.explanations)), 0)::integer as gaps_explained,
           max(s.recorded_at) as last_at
    from public.day_sign_off s
    where s.group_id = d.group_id and s.clinic_id = d.clinic_id and s.clinic_day = d.clinic_day
      and s.recorded_at <= k.as_of) n
cross join lateral (
    select f.recorded_at is not null
           and (d.reopened_at is null or d.reopened_at > k.as_of or n.last_at >= d.reopened_at) as is_settled) a
-- Without an instant nothing can be derived: null, as in reporting.tasks.
cross join lateral (
    select case when k.as_of is null then null when a.is_settled then 0
                else (select count(*)::integer from unnest(d.rung_at) as reached(at) where reached.at <= k.as_of)
           end as level) l
where d.group_id = (select reader.group_id from public.reporting_reader reader);
comment on column reporting.day_sign_offs.overdue_at is
    'Instant of the next opening, from which an unsigned day is overdue, after reopened_at where it asked again; null: not asked.';
comment on column reporting.day_sign_offs.unsigned_since is
    'Instant since which it waits for a signature, for the first or for a further one; null: signed, not due yet, or not asked.';
comment on column reporting.day_sign_offs.level is
    'Rungs of the group''s ladder reached as of as_of (count); 0: none, or signed with every gap explained.';
comment on column reporting.day_sign_offs.reopened_at is
    'Instant at which it was noticed that work was missed which no signature explains, so that the day asked again; null: never, or not yet as of as_of.';
