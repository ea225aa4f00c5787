-- Comments that told too little or something untrue; `reporting` explains itself by them.
comment on column reporting.routines.anchor is
    'JSON object: the moment it hangs on. Its member kind is opening, first_patient, session_end, closing, turnover, calendar, '
    'period, interval, idle, count, event or follows; more may come.';
comment on column reporting.readings.value is
    'Stated value in the unit of the column unit; the column qualifier says where the true value lies; null: too many to count.';
comment on column reporting.readings.too_many_to_count is 'No number can be given; it counts as above every maximum.';
