//! Packs of evidence, opened without the service: by Python's zipfile, its HTML parser and the checker that lies in the pack.

mod belonging;
mod checking;
mod people;

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::process::Command;

use axum::body::Body;
use axum::http::{Request, StatusCode};
use axum::response::Response;
use chairtide::domain::seal::ChainHead;
use chairtide::domain::seal::proof::check_proof;
use chairtide::store::exports::record_sets::RECORD_SETS;
use serde_json::{Value, json};
use sqlx::{AssertSqlSafe, PgPool};
use tempfile::TempDir;
use tower::ServiceExt as _;
use uuid::Uuid;

use crate::exports::{self, auditor, rows_of_view};
use crate::seals::{eventful_day, sealed_day};
use crate::support::app::{App, Client};
use crate::support::scenario::routine;
use crate::support::{at, id};

/// Opens a pack, whose every file must be whole, and answers what stands in it and what its page is made of.
const OPEN: &str = r#"
import hashlib, html.parser, json, sys, zipfile
pack, folder = sys.argv[1:]
with zipfile.ZipFile(pack) as archive:
    assert archive.testzip() is None, "a file is damaged"
    archive.extractall(folder)
    names = archive.namelist()
    hashes = {name: hashlib.sha256(archive.read(name)).hexdigest() for name in names}
    sizes = {name: len(archive.read(name)) for name in names}
class Page(html.parser.HTMLParser):
    empty = {"meta", "line", "rect", "circle", "path", "br"}
    def __init__(self):
        super().__init__()
        self.open, self.tags, self.attributes, self.text = [], set(), set(), []
    def handle_starttag(self, tag, attributes):
        self.tags.add(tag)
        self.attributes.update(name for name, _ in attributes)
        if tag not in {"meta", "br"}:
            self.open.append(tag)
    def handle_startendtag(self, tag, attributes):
        self.tags.add(tag)
    def handle_endtag(self, tag):
        assert self.open.pop() == tag, f"{tag} is closed where another is open"
    def handle_data(self, data):
        self.text.append(data)
page = Page()
page.feed(open(folder + "/summary.html", encoding="utf-8").read())
page.close()
assert not page.open, page.open
print(json.dumps({"hashes": hashes, "sizes": sizes, "tags": sorted(page.tags), "attributes": sorted(page.attributes),
                  "text": " ".join(page.text), "twice": len(names) != len(set(names))}))
"#;

/// A pack on disk.
pub(crate) struct Opened {
    folder: TempDir,
    told: Value,
    manifest: Value,
}

impl Opened {
    pub(crate) fn folder(&self) -> &Path {
        self.folder.path()
    }

    fn read(&self, name: &str) -> String {
        std::fs::read_to_string(self.folder.path().join(name)).unwrap_or_else(|e| panic!("{name}: {e}"))
    }

    /// The words of the page.
    fn text(&self) -> &str {
        self.told["text"].as_str().expect("text")
    }

    /// The values of a column of a kind's rows.
    fn ids(&self, name: &str, column: &str) -> BTreeSet<String> {
        self.lines(name).iter().map(|row| row[column].as_str().unwrap_or_default().to_owned()).collect()
    }

    fn lines(&self, name: &str) -> Vec<Value> {
        let text = self.read(&format!("json/{name}.ndjson"));
        text.lines().map(|line| serde_json::from_str(line).expect("a line of JSON")).collect()
    }

    fn proofs(&self) -> Vec<PathBuf> {
        let files = std::fs::read_dir(self.folder.path().join("proofs")).expect("proofs");
        let mut files: Vec<PathBuf> = files.map(|file| file.expect("a file").path()).collect();
        files.retain(|file| file.extension().is_some_and(|extension| extension == "json"));
        files.sort();
        files
    }

    /// What the checker that lies in the pack says of its proofs: a head for each, or that one proves nothing.
    fn check(&self) -> Result<Vec<Value>, String> {
        let output = Command::new("python3")
            .arg(self.folder.path().join("check_proof.py"))
            .args(self.proofs())
            .env_clear()
            .output()
            .expect("python3 is installed");
        if !output.status.success() {
            return Err(String::from_utf8_lossy(&output.stderr).into_owned());
        }
        let heads = String::from_utf8(output.stdout).expect("text");
        Ok(heads.lines().map(|line| serde_json::from_str(line).expect("a head")).collect())
    }
}

async fn ask(client: &Client<'_>, path: &str) -> Response {
    let request = Request::get(path).header("authorization", format!("Bearer {}", client.token)).body(Body::empty());
    client.app.router().oneshot(request.expect("a request")).await.expect("the router never fails")
}

async fn open(response: Response) -> Opened {
    assert_eq!(response.status(), StatusCode::OK);
    assert_eq!(response.headers()["content-type"], "application/zip");
    let bytes = axum::body::to_bytes(response.into_body(), usize::MAX).await.expect("the pack is whole");
    let folder = tempfile::tempdir().expect("a folder");
    let (pack, script) = (folder.path().join("../").join(format!("{}.zip", Uuid::new_v4())), OPEN);
    std::fs::write(&pack, &bytes).expect("a file");
    let output = Command::new("python3").args(["-c", script]).arg(&pack).arg(folder.path()).output().expect("python3");
    std::fs::remove_file(&pack).expect("ours");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let told = serde_json::from_slice(&output.stdout).expect("what Python found");
    let manifest = std::fs::read_to_string(folder.path().join("manifest.json")).expect("a manifest");
    Opened { folder, told, manifest: serde_json::from_str(&manifest).expect("JSON") }
}

pub(crate) async fn pack_of(client: &Client<'_>, query: &str) -> Opened {
    pack_between(client, ("2026-11-02", "2026-11-03"), query).await
}

async fn pack_between(client: &Client<'_>, (from, to): (&str, &str), query: &str) -> Opened {
    let path = format!("/v1/clinics/{}/evidence-pack?from={from}&to={to}{query}", id(100));
    open(ask(client, &path).await).await
}

#[sqlx::test]
async fn a_pack_opens_without_the_service_and_says_what_the_views_say(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let clinic = eventful_day(&app).await;
    sealed_day(&app, &clinic).await;
    exports::odd_steps(&pool).await;
    let instrument = json!({ "clinic_id": clinic.clinic_id, "name": "Thermometer 1" });
    clinic.admin.put(&format!("/v1/instruments/{}", id(811)), instrument).await.expect(201);
    let closure = json!({ "from_local": "2026-12-24T14:00", "until_local": "2026-12-27T00:00", "reason": "holidays" });
    clinic.admin.put(&format!("/v1/clinics/{}/closures/{}", clinic.clinic_id, id(812)), closure).await.expect(201);
    let competence = json!({ "for_what": { "kind": "routine", "routine_id": routine::spore_test() },
                             "valid_from": "2026-01-05", "signed_off_by": "MO" });
    clinic.admin.put(&format!("/v1/staff/{}/competences/{}", id(707), id(813)), competence).await.expect(201);
    let pack = pack_of(&clinic.manager, "").await;

    // Every file is in the manifest, with its hash and size, and nothing else is.
    let listed: BTreeMap<&str, (&Value, &Value)> = (pack.manifest["files"].as_array().expect("a list").iter())
        .map(|file| (file["path"].as_str().expect("a path"), (&file["sha256"], &file["bytes"])))
        .collect();
    let found = pack.told["hashes"].as_object().expect("hashes");
    for (name, hash) in found.iter().filter(|(name, _)| *name != "manifest.json") {
        assert_eq!(listed.get(name.as_str()), Some(&(hash, &pack.told["sizes"][name])), "{name}");
    }
    assert_eq!((listed.len() + 1, &pack.told["twice"]), (found.len(), &json!(false)));

    // Rows are those of the views, in JSON and in CSV.
    let mut reader = auditor(&pool, id(1)).await;
    let as_of = format!("set chairtide.as_of = '{}'", app.clock.now().to_rfc3339());
    sqlx::query(AssertSqlSafe(as_of)).execute(&mut reader).await.expect("set");
    let mut empty = Vec::new();
    for set in &RECORD_SETS {
        let by_day = ["tasks", "seals", "day_sign_offs"].contains(&set.name);
        let condition = match set.name {
            _ if by_day => "clinic_day between '2026-11-02' and '2026-11-03'",
            "readiness_intervals" => {
                "not_ready_from < '2026-11-04T00:00Z' and coalesce(not_ready_until, 'infinity') >= '2026-11-02T00:00Z'"
            }
            _ => "true",
        };
        let expected = rows_of_view(&mut reader, set.name, condition).await;
        let lines = pack.lines(set.name);
        let told: BTreeSet<String> = lines.iter().map(Value::to_string).collect();
        assert_eq!(told, expected, "{}", set.name);
        let text = pack.read(&format!("csv/{}.csv", set.name));
        let mut csv = csv::Reader::from_reader(text.as_bytes());
        let names = csv.headers().expect("a header").clone();
        let rows: Vec<csv::StringRecord> = csv.records().collect::<Result<_, _>>().expect("rows");
        assert_eq!(rows.len(), lines.len(), "{}", set.name);
        for (row, line) in rows.iter().zip(&lines) {
            for (name, cell) in names.iter().zip(row) {
                let same = match &line[name] {
                    Value::Null => cell.is_empty(),
                    // Nothing here begins with what a spreadsheet would run, so nothing is led by an apostrophe.
                    Value::String(text) => cell == text,
                    other => serde_json::from_str::<Value>(cell).is_ok_and(|value| value == *other),
                };
                assert!(same, "{} {name}: {cell} is not {}", set.name, line[name]);
            }
        }
        if lines.is_empty() {
            empty.push(set.name);
        }
    }
    assert_eq!(empty, [""; 0], "nothing is shown by comparing nothing");
    let described = pack.read("columns.csv");
    assert!(described.lines().any(|line| line.starts_with("readings,value,numeric,")), "{described}");
}

#[sqlx::test]
async fn the_proofs_of_a_pack_are_checked_by_the_script_within_it_and_any_other_byte_proves_nothing(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let clinic = eventful_day(&app).await;
    sealed_day(&app, &clinic).await;
    let pack = pack_of(&clinic.manager, "").await;
    let head = clinic.manager.get(&format!("/v1/clinics/{}/chain-head", clinic.clinic_id)).await.expect(200);
    let heads = pack.check().expect("they prove");
    assert!(!heads.is_empty() && heads.iter().all(|of| *of == head), "{heads:?}");
    assert_eq!(pack.manifest["chain_head"], head);
    // Each record of the day is told whole.
    let day = pack.folder.path().join("proofs/2026-11-02.json");
    let proof: Value = serde_json::from_str(&std::fs::read_to_string(&day).expect("a proof")).expect("JSON");
    let leaves = proof["leaves"].as_array().expect("a list");
    assert!(leaves.len() > 15 && leaves.iter().all(Value::is_object), "{proof}");
    let kinds: BTreeSet<&str> = leaves.iter().filter_map(|leaf| leaf["kind"].as_str()).collect();
    assert!(kinds.contains("completion") && kinds.contains("quarantine_release"), "{kinds:?}");

    let head: ChainHead = serde_json::from_value(head).expect("a head");
    let text = std::fs::read_to_string(&day).expect("a proof");
    assert_eq!(check_proof(&text), Ok(head));
    let mut tried = 0;
    for place in (0..text.len()).step_by(37).filter(|place| text.as_bytes()[*place].is_ascii_alphanumeric()) {
        let mut bytes = text.clone().into_bytes();
        bytes[place] = if bytes[place] == b'1' { b'2' } else { b'1' };
        let edited = String::from_utf8(bytes).expect("text");
        assert_ne!(check_proof(&edited), Ok(head), "byte {place}: {}", &text[place.saturating_sub(20)..=place]);
        tried += 1;
    }
    assert!(tried > 200, "only {tried} bytes were tried");
    std::fs::write(&day, text.replacen("\"KV\"", "\"KW\"", 1)).expect("written");
    let refused = pack.check().expect_err("another name is another record");
    assert!(refused.contains("proves nothing"), "{refused}");
    // And the command reads them, too.
    std::fs::write(&day, &text).expect("written");
    let output =
        Command::new(env!("CARGO_BIN_EXE_chairtide")).args(["proof", "check"]).arg(&day).output().expect("runs");
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(output.status.success() && said.contains("as they were sealed"), "{said}");
}

#[sqlx::test]
async fn what_was_changed_since_is_named_and_days_that_are_not_sealed_are_told(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let clinic = eventful_day(&app).await;
    let unsealed = pack_of(&clinic.manager, "").await;
    assert!(unsealed.proofs().is_empty() && unsealed.manifest["chain_head"].is_null());
    assert!(unsealed.manifest["rows_not_sealed"].as_u64().expect("a number") > 10);
    let note = unsealed.read("proofs/README.txt");
    assert!(note.contains("not sealed:\n  2026-11-02 to 2026-11-03"), "{note}");
    assert!(unsealed.told["text"].as_str().expect("text").contains("No day of this clinic is sealed yet"));

    sealed_day(&app, &clinic).await;
    sqlx::query("update completion set note = 'edited' where completion_id = $1")
        .bind(id(701))
        .execute(&pool)
        .await
        .expect("the owner may");
    let pack = pack_of(&clinic.manager, "").await;
    let expected = format!("2026-11-02: completion {} is not as it was sealed", id(701));
    assert_eq!(pack.manifest["not_as_sealed"], json!([expected]));
    assert!(pack.read("proofs/README.txt").contains(&expected));
    pack.check().expect("the others are as they were sealed");
    let proof = pack.read("proofs/2026-11-02.json");
    assert!(!proof.contains("edited"), "what is not as it was sealed stands as its hash");
    let text = pack.text();
    let (told, read_first) = (text.find(&expected).expect("the page tells it"), text.find("Read this first"));
    assert!(Some(told) < read_first, "before everything else");
}

#[sqlx::test]
async fn a_record_that_was_removed_is_named_on_the_page_and_in_the_manifest(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let clinic = eventful_day(&app).await;
    sealed_day(&app, &clinic).await;
    let whole = pack_of(&clinic.manager, "").await;
    assert_eq!((&whole.manifest["not_as_sealed"], &whole.manifest["purged"]), (&json!([]), &json!([])));
    assert!(!whole.text().contains("Not as it was sealed"));
    // The failed spore test goes, with what hangs on it.
    for sql in ["delete from step_result where completion_id = $1", "delete from completion where completion_id = $1"] {
        sqlx::query(sql).bind(id(702)).execute(&pool).await.expect("the owner may");
    }
    for query in ["", &format!("&subject_id={}", clinic.chair)] {
        let pack = pack_of(&clinic.manager, query).await;
        let expected = [
            format!("2026-11-02: completion {} was sealed and is missing", id(702)),
            format!("2026-11-02: step_result {}/growth was sealed and is missing", id(702)),
        ];
        assert_eq!(pack.manifest["not_as_sealed"], json!(expected), "{query}");
        for line in &expected {
            assert!(pack.text().contains(line) && pack.read("proofs/README.txt").contains(line), "{line}");
        }
    }
}

#[sqlx::test]
async fn a_seal_that_was_changed_is_named(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let clinic = eventful_day(&app).await;
    sealed_day(&app, &clinic).await;
    sqlx::query("update day_seal set record_count = record_count + 1").execute(&pool).await.expect("the owner may");
    let pack = pack_of(&clinic.manager, "").await;
    let told = pack.manifest["not_as_sealed"].to_string();
    assert!(
        told.contains("nothing of this day can be proved") && told.contains("no longer begins with the head"),
        "{told}"
    );
}

#[sqlx::test]
async fn the_page_is_whole_and_neither_runs_nor_fetches_nor_claims_anything(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let clinic = eventful_day(&app).await;
    sealed_day(&app, &clinic).await;
    let pack = pack_of(&clinic.manager, "").await;
    for tag in ["script", "link", "img", "iframe", "object", "form", "a", "base", "image", "use"] {
        assert!(!pack.told["tags"].as_array().expect("a list").contains(&json!(tag)), "{tag}");
    }
    let attributes = pack.told["attributes"].as_array().expect("a list");
    let fetches = |name: &&Value| name.as_str().is_some_and(|n| n.starts_with("on") || ["src", "href"].contains(&n));
    assert_eq!(attributes.iter().find(fetches), None);
    let html = pack.read("summary.html");
    assert!(!html.contains("http:") && !html.contains("https:") && html.contains("@media print"));
    let text = pack.told["text"].as_str().expect("text").to_lowercase();
    for claim in [" safe", " clean ", "compliant", "is sterile", "disinfected successfully"] {
        assert!(!text.contains(claim), "{claim}");
    }
    // The positive spore test, what it opened and put out of use; the caution; the head.
    let head = clinic.manager.get(&format!("/v1/clinics/{}/chain-head", clinic.clinic_id)).await.expect(200);
    for told in
        ["weekly spore test", "corrective action", "the maker's instructions", head["root"].as_str().expect("a root")]
    {
        assert!(text.contains(told), "{told} is missing in {text}");
    }
}

#[sqlx::test]
async fn a_pack_is_narrowed_to_a_subject_a_lot_or_a_person(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let clinic = eventful_day(&app).await;
    sealed_day(&app, &clinic).await;
    let steriliser = pack_of(&clinic.manager, &format!("&subject_id={}", clinic.steriliser)).await;
    assert_eq!(steriliser.ids("completions", "completion_id"), BTreeSet::from([id(702).to_string()]));
    assert_eq!(steriliser.ids("cycles", "cycle_id"), BTreeSet::from([id(704).to_string()]));
    // What its records name is told with them: who worked, and on a chair or with a lot none.
    assert_eq!(steriliser.ids("staff", "initials"), BTreeSet::from(["KV".to_owned()]));
    assert_eq!((steriliser.lines("lots").len(), steriliser.lines("products").len()), (0, 0));
    assert!(steriliser.manifest["left_out"].as_array().expect("a list").contains(&json!("presence")));
    assert_eq!(steriliser.manifest["narrowed_to"], "Steriliser 0");
    steriliser.check().expect("they prove");
    let proof: Value = serde_json::from_str(&steriliser.read("proofs/2026-11-02.json")).expect("JSON");
    let (told, hashes): (Vec<&Value>, Vec<&Value>) =
        proof["leaves"].as_array().expect("a list").iter().partition(|leaf| leaf.is_object());
    assert!(told.iter().any(|leaf| leaf["id"] == json!(id(702))) && !hashes.is_empty());
    assert!(!told.iter().any(|leaf| leaf["id"] == json!(id(701))), "the flush of the chair is told of as a hash");

    let lot = pack_of(&clinic.manager, &format!("&lot_id={}", id(708))).await;
    assert_eq!(lot.ids("lots", "lot_number"), BTreeSet::from(["L-1".to_owned()]));
    assert_eq!(lot.lines("lot_marks").len(), 1);
    assert_eq!(lot.lines("completions").len(), 0, "no step was worked with it");
    assert_eq!((lot.lines("subjects").len(), lot.lines("staff").len()), (0, 0));
    assert_eq!(lot.manifest["narrowed_to"], "lot L-1");

    let person = pack_of(&clinic.manager, &format!("&staff_id={}", id(707))).await;
    let of_kv = BTreeSet::from([id(701).to_string(), id(702).to_string()]);
    assert_eq!(person.ids("completions", "completion_id"), of_kv, "not the manager's, who is MO");
    assert_eq!(person.ids("staff", "initials"), BTreeSet::from(["KV".to_owned()]));
    let worked_on = BTreeSet::from([clinic.chair.to_string(), clinic.steriliser.to_string()]);
    assert_eq!(person.ids("subjects", "subject_id"), worked_on);
}

#[sqlx::test]
async fn what_cannot_be_packed_is_refused_before_the_first_byte(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let clinic = eventful_day(&app).await;
    let other = app.group(id(2)).await;
    let path = format!("/v1/clinics/{}/evidence-pack", clinic.clinic_id);
    let days = "from=2026-11-02&to=2026-11-03";
    for (client, query, status) in [
        (&other, days.to_owned(), 404),
        (&clinic.tablet, days.to_owned(), 403),
        (&clinic.manager, String::new(), 400),
        (&clinic.manager, "from=2026-11-03&to=2026-11-02".to_owned(), 422),
        (&clinic.manager, "from=2025-01-01&to=2026-11-02".to_owned(), 422),
        (&clinic.manager, "from=0001-01-01&to=0001-01-02".to_owned(), 422),
        (&clinic.manager, format!("{days}&subject_id={}&lot_id={}", clinic.chair, id(708)), 422),
        (&clinic.manager, format!("{days}&subject_id={}", id(999)), 404),
        (&clinic.manager, format!("{days}&lot_id={}", id(999)), 404),
        (&clinic.manager, format!("{days}&staff_id={}", id(999)), 404),
    ] {
        client.get(&format!("{path}?{query}")).await.expect(status);
    }
}

#[sqlx::test]
async fn all_parts_of_a_pack_are_of_one_moment(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let clinic = eventful_day(&app).await;
    let path = format!("/v1/clinics/{}/evidence-pack?from=2026-11-02&to=2026-11-03", clinic.clinic_id);
    // The head of the answer is there and nobody has read on; meanwhile somebody records.
    let answer = ask(&clinic.manager, &path).await;
    let cycle = json!({ "cycle_id": id(799), "ended_at": "2026-11-02T08:55:00Z" });
    clinic.tablet.post(&format!("/v1/equipment/{}/cycles", clinic.steriliser), cycle).await.expect(201);
    let pack = open(answer).await;
    assert_eq!(pack.lines("cycles").len(), 1);
    assert!(Path::new(&pack.folder.path().join("manifest.json")).exists());
    assert_eq!(pack_of(&clinic.manager, "").await.lines("cycles").len(), 2);
}
