-- A chain may ask what became of the loads that its action holds.
comment on column reporting.corrective_action_steps_asked.evidence is
    'What it wants: confirmation, note, reference, result, test_result, tests_passed, work or loads_ended; more may come.';
