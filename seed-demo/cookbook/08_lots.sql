-- Question: which lots expire within 30 days, have expired and stand there still, or are recalled?
-- Columns: clinic; product; lot number; recalled, expired or expiring; last day it may be used on; days until then
-- (negative: since); steps recorded with it (count), and those of them that passed (count). A recalled lot is listed
-- until it is ended, and for 90 days after the recall in any case. How long an opened lot lasts is told by the API.
select c.name as clinic, v.name as product, l.lot_number,
       case when l.recalled_at <= d.as_of then 'recalled' when l.expires_on < d.today then 'expired' else 'expiring' end
           as what,
       l.expires_on, l.expires_on - d.today as days_left, u.uses, u.passed
from reporting.lots l
join reporting.clinics c on c.clinic_id = l.clinic_id
cross join lateral (select k.as_of, (k.as_of at time zone c.zone)::date as today from reporting.clock k) d
left join lateral (select p.name from reporting.products p where p.product_id = l.product_id
                   order by p.effective_on <= d.today desc, p.effective_on desc, p.version desc limit 1) v on true
cross join lateral (select count(*) as uses, count(*) filter (where x.verdict = 'passed') as passed
                    from reporting.lot_uses x where x.lot_id = l.lot_id) u
where l.recorded_at <= d.as_of
  and (l.recalled_at <= d.as_of and l.recalled_at > d.as_of - interval '90 days'
       or (l.ended_at is null or l.ended_at > d.as_of)
          and (l.recalled_at <= d.as_of or l.expires_on - d.today <= 30))
order by coalesce(l.recalled_at <= d.as_of, false) desc, l.expires_on, c.name, l.lot_number, l.lot_id;
