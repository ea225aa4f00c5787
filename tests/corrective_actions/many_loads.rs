//! A machine with more loads in doubt than are held each by itself.

use serde_json::{Value, json};
use sqlx::PgPool;
use uuid::Uuid;

use super::loads::{labels_out, standing};
use super::{clinic_with_strips, strips_read, text};
use crate::support::app::App;
use crate::support::scenario::Clinic;
use crate::support::{at, id};

const START: &str = "2026-11-02T06:00:00Z";

/// The cycle of a number.
fn numbered(n: u128) -> Uuid {
    Uuid::from_u128(0x1000 + n)
}

/// 153 cycles of the steriliser, a minute apart: numbered from 1, the first at 00:01.
async fn run_153(pool: &PgPool, clinic: &Clinic<'_>) {
    for sql in [
        "insert into cycle_receipt (group_id, cycle_id, clinic_day)
         select $1, lpad(to_hex(4096 + n), 32, '0')::uuid, '2026-11-02' from generate_series(1, 153) n",
        "insert into cycle_mark (group_id, clinic_day, cycle_id, clinic_id, subject_id, ended_at, program, recorded_at, key_id)
         select r.group_id, r.clinic_day, r.cycle_id, $2, $3,
                timestamptz '2026-11-02T00:00:00Z' + make_interval(mins => row_number() over (order by r.cycle_id)::integer),
                '', '2026-11-02T06:00:00Z', $1 from cycle_receipt r where r.group_id = $1",
    ] {
        let query = sqlx::query(sql).bind(id(1));
        let query = if sql.contains("$2") { query.bind(clinic.clinic_id).bind(clinic.steriliser) } else { query };
        query.execute(pool).await.expect("written");
    }
}

/// Says of the first cycle that load 118, with implantable devices, was in it.
async fn first_held_implants(clinic: &Clinic<'_>) {
    let said = json!({ "load_reference": "118", "holds_implants": true, "chamber": "loaded",
                       "outcome_as_printed": "complete", "performed_by": "IB" });
    let path = format!("/v1/equipment/{}/cycles/{}/record", clinic.steriliser, numbered(1));
    clinic.tablet.put(&path, said).await.expect(201);
}

/// The loads that the one action holds; each load with implantable devices waits for a test of its own beside that.
async fn held_by_action(clinic: &Clinic<'_>) -> Vec<Value> {
    let is_load = |q: &Value| q["cause"] == "corrective_action" && q["load_reference"] != Value::Null;
    standing(clinic).await.into_iter().filter(is_load).collect()
}

#[sqlx::test]
async fn of_very_many_loads_the_earliest_are_held_together_and_none_is_left_out(pool: PgPool) {
    let app = App::new(pool.clone(), at(START)).await;
    let clinic = clinic_with_strips(&app).await;
    run_153(&pool, &clinic).await;
    strips_read(&clinic, 830, true, &json!({ "chamber": "loaded" })).await;
    let labels = labels_out(&clinic).await;
    assert_eq!(labels.len(), 151);
    // Of 153, a minute apart, the 150 newest by themselves: the third is the newest of the rest.
    assert!(labels.contains(&"every load up to 2026-11-02T00:03:00Z".to_owned()), "{labels:?}");
}

/// Implantable devices are withdrawn first: CDC, MMWR 52(RR-17) 2003, p. 24-25, read in a quotation.
#[sqlx::test]
async fn of_very_many_loads_the_oldest_is_held_by_itself_if_it_holds_implants(pool: PgPool) {
    let app = App::new(pool.clone(), at(START)).await;
    let clinic = clinic_with_strips(&app).await;
    run_153(&pool, &clinic).await;
    first_held_implants(&clinic).await;
    strips_read(&clinic, 830, true, &json!({ "chamber": "loaded" })).await;
    let held = held_by_action(&clinic).await;
    assert_eq!(held.len(), 151);
    let first = held.iter().find(|q| q["load_reference"] == "118").expect("held by itself");
    assert_eq!(first["cycle_id"], json!(numbered(1)));
    assert!(text(&first["reason"]).starts_with("IMPLANTABLE DEVICES, withdraw first."), "{first}");
    // Beside it the 149 newest: the fourth is the newest of the rest.
    assert!(held.iter().any(|q| q["load_reference"] == "every load up to 2026-11-02T00:04:00Z"), "{held:?}");
}

/// The rest may then be newer than any load that is held by itself.
#[sqlx::test]
async fn where_implants_fill_every_place_a_later_load_without_any_is_not_left_out(pool: PgPool) {
    let app = App::new(pool.clone(), at(START)).await;
    let clinic = clinic_with_strips(&app).await;
    run_153(&pool, &clinic).await;
    first_held_implants(&clinic).await;
    // The same of the next 150; the last two, of 02:32 and 02:33, held none.
    let copy = "insert into cycle_record
        select (jsonb_populate_record(r, jsonb_build_object('cycle_id', m.cycle_id))).*
        from cycle_record r, cycle_mark m
        where r.cycle_id = $1 and m.cycle_id <> r.cycle_id and m.ended_at < '2026-11-02T02:32:00Z'";
    sqlx::query(copy).bind(numbered(1)).execute(&pool).await.expect("the owner may");
    strips_read(&clinic, 830, true, &json!({ "chamber": "loaded" })).await;
    let held = held_by_action(&clinic).await;
    let by_themselves = held.iter().filter(|q| q["load_reference"] == "118").count();
    assert_eq!((by_themselves, held.len()), (150, 151));
    let of_rest = held.iter().find(|q| q["cycle_id"] == Value::Null).expect("the rest");
    assert_eq!(of_rest["load_reference"], "every load up to 2026-11-02T09:00:00Z");
    assert!(text(&of_rest["reason"]).starts_with("IMPLANTABLE DEVICES, withdraw first."), "{of_rest}");
}
