-- Planning one clinic reads what belongs to it, and nothing that grows with the group around it.

-- Work that is wanted once in a period belongs to the period's last date, up to a year ahead of the day that is
-- planned: few rows, which no plan should look for among all others.
create index task_of_period on task (group_id, clinic_id, clinic_day) where slot like 'period:%';

-- The seatings of a clinic over weeks.
create index seating_mark_of_clinic on seating_mark (group_id, clinic_id, clinic_day);
