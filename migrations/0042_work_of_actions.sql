-- A step of a corrective action may rest on work that a completion shows, as it may on a test.
comment on column reporting.corrective_action_steps.completion_id is
    'The completion it rests on: of a test, or of the work that the step asks for; null: it rests on none.';
