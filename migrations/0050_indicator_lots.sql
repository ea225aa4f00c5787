-- Indicators may name their lot in the register, as products do.
comment on column reporting.step_results.lot_id is 'The lot of a product step, or of the indicators of a spore test; else null.';
comment on column reporting.step_results.product_version is 'Version of the lot''s product it was judged by; else null.';
comment on view reporting.lot_uses is 'One row a recorded step that was worked with a lot, or tested with one of indicators.';
