-- A late entry and a seating in a chair that was not ready are gaps of their day now, which somebody explains.
comment on column reporting.completions.reason is
    'Reason of a correction, a not-required or a void, or why a late entry came late; else empty.';
comment on column reporting.day_explanations.gap is
    'missed, record_missing, failed, void, not_required, result_awaited, entered_late or seated_unready; more may come.';
comment on column reporting.day_explanations.task_id is 'The task, as in reporting.tasks; null: of a seating.';
