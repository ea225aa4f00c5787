//! What the service has answered with success, and so must hold ever after.
//!
//! The rule of this file: only what was answered is written down; what was asked and not answered may be there or not.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, Utc};
use reqwest::Method;
use serde_json::{Value, json};
use sqlx::PgConnection;
use uuid::Uuid;

use crate::support::service::{HttpClient, Service};

/// A request that changes the plan.
#[derive(Clone)]
pub(super) struct Change {
    pub(super) method: Method,
    pub(super) path: String,
    pub(super) key: Option<String>,
    pub(super) body: Option<Value>,
}

#[derive(Default)]
pub(super) struct Ledger {
    admin: String,
    tablet: String,
    /// In their order, so that they can be made again elsewhere.
    pub(super) changes: Vec<Change>,
    /// Path -> what stands there.
    documents: BTreeMap<String, Value>,
    /// Completion -> what was answered for it.
    completions: BTreeMap<String, Value>,
    /// Seating -> what was answered for it.
    marks: BTreeMap<String, Value>,
    /// Day start -> what was answered for it.
    day_starts: Vec<(Change, Value)>,
    /// Task -> its hold.
    holds: Vec<(String, Value)>,
}

impl Ledger {
    pub(super) async fn new(service: &Service, admin: String) -> Self {
        let body = json!({ "key_id": Uuid::new_v4(), "label": "tablet", "role": "chairside",
                           "reach": { "kind": "group" } });
        let made = service.client(&admin).must(Method::POST, "/v1/keys", None, Some(&body)).await;
        Self { admin, tablet: made["token"].as_str().expect("shown once").to_owned(), ..Self::default() }
    }

    pub(super) fn admin(&self, service: &Service) -> HttpClient {
        service.client(&self.admin)
    }

    pub(super) fn tablet(&self, service: &Service) -> HttpClient {
        service.client(&self.tablet)
    }

    pub(super) async fn put(&mut self, service: &Service, path: String, body: Value) {
        let answer = self.admin(service).must(Method::PUT, &path, None, Some(&body)).await;
        self.documents.insert(path.clone(), answer);
        self.changes.push(Change { method: Method::PUT, path, key: None, body: Some(body) });
    }

    pub(super) async fn delete(&mut self, service: &Service, path: String) {
        self.admin(service).must(Method::DELETE, &path, None, None).await;
        self.documents.remove(&path);
        self.changes.push(Change { method: Method::DELETE, path, key: None, body: None });
    }

    pub(super) async fn start_day(&mut self, service: &Service, path: String, at: DateTime<Utc>) {
        let change = Change { method: Method::POST, path, key: None, body: Some(json!({ "at": at })) };
        let answer = self.admin(service).must(Method::POST, &change.path, None, change.body.as_ref()).await;
        self.day_starts.push((change.clone(), answer));
        self.changes.push(change);
    }

    /// A desk's post about a chair that was answered.
    pub(super) fn note_mark(&mut self, change: Change, answer: Value) {
        self.marks.insert(text(&answer["mark_id"]), answer);
        self.changes.push(change);
    }

    pub(super) fn note_hold(&mut self, task_id: String, answer: Value) {
        self.holds.push((task_id, answer));
    }

    pub(super) fn note_completion(&mut self, completion: Value) {
        self.completions.insert(text(&completion["completion_id"]), completion);
    }

    pub(super) fn completions(&self) -> usize {
        self.completions.len()
    }

    /// Whether all configuration that was answered is there, with the content that was answered.
    pub(super) async fn check_configuration(&self, service: &Service) {
        let admin = self.admin(service);
        for (path, answered) in &self.documents {
            match path.rsplit_once("/closures/") {
                // Closures are read as a list.
                Some((clinic, _)) => {
                    let listed = admin.get(&format!("{clinic}/closures")).await;
                    assert!(
                        listed["items"].as_array().expect("a list").contains(answered),
                        "{answered} not in {listed}"
                    );
                }
                None => assert_eq!(admin.get(path).await, *answered, "{path}"),
            }
        }
    }

    /// Whether everything the front desk and the tablets were answered is there, once and with the same content, and
    /// nothing beside it.
    pub(super) async fn check_records(&self, service: &Service, db: &mut PgConnection) {
        let admin = self.admin(service);
        for (id, answered) in &self.completions {
            // Entries that came later may have raised flags for this one, and taken none away.
            let (mut kept, mut answered) = (admin.get(&format!("/v1/completions/{id}")).await, answered.clone());
            let (flags, answered_flags) = (kept["flags"].take(), answered["flags"].take());
            assert_eq!(kept, answered);
            let flags = flags.as_array().expect("a list");
            assert!(answered_flags.as_array().expect("a list").iter().all(|flag| flags.contains(flag)), "{flags:?}");
        }
        let answered: Vec<&String> = self.completions.keys().collect();
        for (what, sql) in [
            ("completions", "select completion_id::text from completion order by 1"),
            ("receipts", "select completion_id::text from completion_receipt order by 1"),
            ("events", "select body->>'completion_id' from event where kind = 'completion_recorded' order by 1"),
        ] {
            let kept: Vec<String> = sqlx::query_scalar(sql).fetch_all(&mut *db).await.expect(what);
            assert_eq!(kept.iter().collect::<Vec<_>>(), answered, "each of the {what} once");
        }

        for (task_id, answered) in &self.holds {
            let task = admin.get(&format!("/v1/tasks/{task_id}")).await;
            assert!(task["task"]["holds"].as_array().expect("a list").contains(answered), "{answered} not in {task}");
        }
        for (change, first) in &self.day_starts {
            let again = admin.must(Method::POST, &change.path, None, change.body.as_ref()).await;
            for field in ["clinic_day", "at", "recorded_at"] {
                assert_eq!(again[field], first[field], "{field} of {}", change.path);
            }
        }
        let kept: Vec<(String, Uuid, NaiveDate, DateTime<Utc>)> =
            sqlx::query_as("select mark_id::text, operatory_id, clinic_day, marked_at from seating_mark order by 1")
                .fetch_all(&mut *db)
                .await
                .expect("seatings");
        let answered = self.marks.iter().map(|(id, mark)| {
            (id.clone(), parsed(&mark["operatory_id"]), parsed(&mark["clinic_day"]), parsed(&mark["at"]))
        });
        assert_eq!(kept, answered.collect::<Vec<_>>(), "each seating once");
    }
}

pub(super) fn text(value: &Value) -> String {
    value.as_str().unwrap_or_else(|| panic!("no text: {value}")).to_owned()
}

fn parsed<T: serde::de::DeserializeOwned>(value: &Value) -> T {
    serde_json::from_value(value.clone()).unwrap_or_else(|error| panic!("{value}: {error}"))
}
