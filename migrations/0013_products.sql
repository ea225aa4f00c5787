-- Products, their lots, and what became of each lot: what a step was worked with.

-- A product, named once so that lots can point at it whatever its versions say.
create table product (
    group_id   uuid not null,               -- the tenant leads every key
    product_id uuid not null,               -- made by the client
    created_at timestamptz not null,
    primary key (group_id, product_id)
);

-- Its content, version by version. Never changed: evidence names the version it was judged by.
create table product_version (
    group_id     uuid not null,
    product_id   uuid not null,
    version      integer not null check (version >= 1),
    effective_on date not null,             -- first clinic day it is in force for
    definition   jsonb not null,            -- src/domain/product.rs
    created_at   timestamptz not null,
    primary key (group_id, product_id, version),
    foreign key (group_id, product_id) references product
);

-- A lot that stands at a clinic. Evidence: an entry is never changed, because work was judged by it.
create table lot (
    group_id    uuid not null,
    lot_id      uuid not null,              -- made by the client
    product_id  uuid not null,
    clinic_id   uuid not null,              -- where it stands
    lot_number  text not null,              -- as the label prints it
    expires_on  date not null,              -- the last day it may be used on, by the clinic's calendar
    recorded_at timestamptz not null,
    key_id      uuid not null,              -- the device; never the person
    primary key (group_id, lot_id),
    foreign key (group_id, product_id) references product,
    foreign key (group_id, clinic_id) references clinic
);
create index lot_newest on lot (group_id, recorded_at desc, lot_id desc);  -- the list
create index lot_recorded on lot (group_id, clinic_id, recorded_at);       -- what a day's seal holds

-- What became of a lot: opened, ended, recalled. Append-only; the last mark of a kind counts, the others stay.
create table lot_mark (
    group_id    uuid not null,
    lot_id      uuid not null,
    number      integer not null check (number >= 1),   -- the order they came in, which decides the last of a kind
    clinic_id   uuid not null,              -- the lot's, for the seal of its day
    kind        text not null constraint lot_mark_kind_known
                check (kind in ('opened', 'emptied', 'discarded', 'recalled', 'recall_withdrawn')),
    marked_at   timestamptz not null,       -- when it happened, as the person says; of a recall: when it was recorded
    marked_by   text not null,              -- the person, by initials
    reason      text not null default '',   -- of a recall, its withdrawal, and of whatever corrects a mark before it
    authority   text not null default '',   -- of a recall: whose notice it follows, with its reference
    recorded_at timestamptz not null,
    key_id      uuid not null,
    primary key (group_id, lot_id, number),
    foreign key (group_id, lot_id) references lot
);
create index lot_mark_recorded on lot_mark (group_id, clinic_id, recorded_at);

do $$
declare t text;
begin
    foreach t in array array['product', 'product_version', 'lot', 'lot_mark'] loop
        execute format('alter table %I enable row level security', t);
        execute format('create policy tenant on %I using (group_id = tenant_id())', t);
    end loop;
end $$;
grant select, insert on product, product_version, lot, lot_mark to chairtide_app;

-- What a step was worked with. Nullable, and null in older rows, so that what was sealed stays as it was.
alter table step_result
    add column lot_id          uuid,        -- of a product step
    add column product_version integer,     -- the version of the lot's product it was judged by
    add column mixed_at        timestamptz, -- when the solution was made up, as the person says
    drop constraint step_result_kind_known,
    -- The kinds grow with the service; the names they may have are told in src/domain/step.rs.
    add constraint step_result_kind_known check (kind ~ '^[a-z_]{1,40}$');
create index step_result_of_lot on step_result (group_id, lot_id) where lot_id is not null; -- whom a recall is about

-- Null: nobody said. Treated as discharging amalgam, because the stricter reading must not hang on a forgotten field.
alter table subject add column discharges_amalgam boolean;

create view reporting.products with (security_barrier) as
select v.product_id, v.version, v.effective_on, v.definition ->> 'name' as name,
       v.definition -> 'instructions' ->> 'ifu_reference' as ifu_reference,
       v.definition -> 'instructions' ->> 'edition' as ifu_edition,
       (v.definition ->> 'oxidising')::boolean as oxidising, (v.definition ->> 'ph')::numeric as ph,
       v.definition ->> 'ph_class' as ph_class
from public.product_version v
where v.group_id = (select l.group_id from public.reporting_login l where l.login = session_user);
comment on view reporting.products is 'One row a version of a product. A version is in force until the next one''s first day.';
comment on column reporting.products.product_id is 'The product, kept over its versions.';
comment on column reporting.products.version is '1, 2, 3 and so on.';
comment on column reporting.products.effective_on is 'First clinic day the version is in force for (local date).';
comment on column reporting.products.name is 'What people call it.';
comment on column reporting.products.ifu_reference is 'The maker''s instructions it was entered from.';
comment on column reporting.products.ifu_edition is 'Edition of those instructions.';
comment on column reporting.products.oxidising is 'Whether it oxidises, as entered.';
comment on column reporting.products.ph is 'pH as used; null where the label does not say.';
comment on column reporting.products.ph_class is 'acidic, neutral or alkaline; null where not entered.';

create view reporting.lots with (security_barrier) as
select l.lot_id, l.product_id, l.clinic_id, l.lot_number, l.expires_on, l.recorded_at,
       (select m.marked_at from public.lot_mark m
        where m.group_id = l.group_id and m.lot_id = l.lot_id and m.kind = 'opened'
        order by m.number desc limit 1) as opened_at,
       (select m.marked_at from public.lot_mark m
        where m.group_id = l.group_id and m.lot_id = l.lot_id and m.kind in ('emptied', 'discarded')
        order by m.number desc limit 1) as ended_at,
       (select case when m.kind = 'recalled' then m.recorded_at end from public.lot_mark m
        where m.group_id = l.group_id and m.lot_id = l.lot_id and m.kind in ('recalled', 'recall_withdrawn')
        order by m.number desc limit 1) as recalled_at
from public.lot l
where l.group_id = (select r.group_id from public.reporting_login r where r.login = session_user);
comment on view reporting.lots is 'One row a lot of a product at a clinic, as it stands by its marks.';
comment on column reporting.lots.lot_id is 'The lot.';
comment on column reporting.lots.product_id is 'Its product.';
comment on column reporting.lots.clinic_id is 'Where it stands.';
comment on column reporting.lots.lot_number is 'As the label prints it.';
comment on column reporting.lots.expires_on is 'Last day it may be used on, by the clinic''s calendar.';
comment on column reporting.lots.recorded_at is 'When it was entered.';
comment on column reporting.lots.opened_at is 'When it was opened, by the last entry; null: not recorded.';
comment on column reporting.lots.ended_at is 'When it was emptied or discarded, by the last entry; null: not recorded.';
comment on column reporting.lots.recalled_at is 'When its recall was recorded; null: none stands.';

create view reporting.lot_uses with (security_barrier) as
select s.lot_id, s.completion_id, s.clinic_day, s.step_key, s.verdict, s.finding, s.product_version, s.mixed_at
from public.step_result s
where s.lot_id is not null
  and s.group_id = (select l.group_id from public.reporting_login l where l.login = session_user);
comment on view reporting.lot_uses is 'One row a recorded step that was worked with a lot.';
comment on column reporting.lot_uses.lot_id is 'The lot.';
comment on column reporting.lot_uses.completion_id is 'The completion it was recorded with.';
comment on column reporting.lot_uses.clinic_day is 'Clinic day of the task (local date).';
comment on column reporting.lot_uses.step_key is 'The step of the routine.';
comment on column reporting.lot_uses.verdict is 'The step''s verdict, as it was judged when recorded.';
comment on column reporting.lot_uses.finding is 'Why it failed, or what it was warned about; else empty.';
comment on column reporting.lot_uses.product_version is 'Version of the product it was judged by; null where it was not judged.';
comment on column reporting.lot_uses.mixed_at is 'When the solution was made up; null where not recorded.';
grant select on reporting.products, reporting.lots, reporting.lot_uses to chairtide_reporting;

create or replace view reporting.step_results with (security_barrier) as
select r.completion_id, r.clinic_day, r.step_key, r.ordinal, r.kind, r.status, r.verdict, r.finding, r.hold_id,
       r.elapsed_seconds, r.measured_by, r.minimum_seconds, r.qualifier, r.value, r.unit, r.limits, r.reason,
       r.lot_id, r.product_version, r.mixed_at
from public.step_result r
where r.group_id = (select l.group_id from public.reporting_login l where l.login = session_user);
comment on column reporting.step_results.kind is 'The kind of evidence the step asks for: confirmation, hold, reading, product.';
comment on column reporting.step_results.lot_id is 'The lot of a product step; else null.';
comment on column reporting.step_results.product_version is 'Version of the lot''s product it was judged by; else null.';
comment on column reporting.step_results.mixed_at is 'When the solution was made up; null where not recorded.';
