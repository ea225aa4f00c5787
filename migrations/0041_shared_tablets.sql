-- A tablet on the wall is several people's: a record of it without a PIN says which device it was, and not who was there.

alter table api_key
    add column shared boolean not null default false; -- several people use the device: who records is to be told by a PIN
alter table clinic
    add column pin_required boolean not null default false; -- what comes from a shared device without a PIN is flagged so
