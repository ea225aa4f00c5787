//! Pages, looked at in a browser: what it lays out and would print, which no reading of the markup tells.
//!
//! The rule of this file: the browser has no network beyond the page and a profile of its own, and what it says is asked
//! in the page itself.

use std::fs;
use std::path::Path;
use std::process::Command;

use axum::http::StatusCode;
use reqwest::Method;
use serde::Deserialize;
use serde_json::json;
use sqlx::PgPool;
use tempfile::TempDir;

use crate::evidence_packs::pack_of;
use crate::exports::odd_steps;
use crate::seals::{eventful_day, sealed_day};
use crate::support::app::App;
use crate::support::service::Service;
use crate::support::{at, id};

/// Runs in the page of a pack once it is loaded, and puts what it found in the page's place.
const LOOK: &str = "
addEventListener('load', () => {
  const wide = () => [...document.querySelectorAll('h1, table, svg, ul, dl, p')]
    .filter(e => e.scrollWidth > document.body.clientWidth + 1).map(e => e.tagName + ': ' + e.textContent.slice(0, 80));
  const on_screen = wide();
  // The width between the usual margins of a sheet of A4 (ISO 216: 210 mm).
  document.body.style.maxWidth = document.body.style.width = '180mm';
  const on_paper = wide();
  document.body.style.width = document.body.style.maxWidth = '';
  const charts = [...document.querySelectorAll('svg')].map(svg => {
    const box = svg.getBoundingClientRect();
    const inside = b => b.left >= box.left - 1 && b.right <= box.right + 1 && b.top >= box.top - 1 && b.bottom <= box.bottom + 1;
    const texts = [...svg.querySelectorAll('text')].filter(t => t.textContent);
    const boxes = texts.map(t => t.getBoundingClientRect());
    const meets = (a, b) => a.left < b.right && b.left < a.right && a.top < b.bottom && b.top < a.bottom;
    return { title: svg.querySelector('title').textContent, width: box.width, height: box.height,
      marks: svg.querySelectorAll('rect, circle, path').length,
      outside: [...svg.querySelectorAll('text, rect, circle, path, line')].filter(e => !inside(e.getBoundingClientRect()))
        .map(e => e.outerHTML),
      meeting: texts.filter((t, i) => boxes.some((b, j) => j < i && meets(b, boxes[i]))).map(t => t.textContent) };
  });
  const found = { fetched: performance.getEntriesByType('resource').map(e => e.name), mode: document.compatMode,
    language: document.documentElement.lang, headings: document.querySelectorAll('h2').length,
    odd_characters: (document.body.textContent.match(/\\ufffd/g) || []).length, on_screen, on_paper, charts };
  const pre = document.createElement('pre');
  pre.id = 'found';
  pre.textContent = JSON.stringify(found);
  document.body.replaceChildren(pre);
});
";

#[derive(Debug, Deserialize)]
struct Found {
    fetched: Vec<String>,
    mode: String,
    language: String,
    headings: usize,
    odd_characters: usize,
    on_screen: Vec<String>,
    on_paper: Vec<String>,
    charts: Vec<Chart>,
}

#[derive(Debug, Deserialize)]
struct Chart {
    title: String,
    width: f64,
    height: f64,
    marks: usize,
    outside: Vec<String>,
    meeting: Vec<String>,
}

/// What the browser prints when asked something of an address.
fn browser(asked: &[&str], address: &str) -> String {
    let profile: TempDir = tempfile::tempdir().expect("a folder");
    let output = Command::new("chromium")
        .args(["--headless", "--disable-gpu", "--disable-dev-shm-usage", "--disable-background-networking"])
        // Root has no sandbox, and what is looked at is our own.
        .args(["--no-sandbox", "--no-first-run", "--window-size=1200,900", "--virtual-time-budget=20000"])
        .args(["--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1"])
        .arg(format!("--user-data-dir={}", profile.path().display()))
        .args(asked)
        .arg(address)
        .output()
        .expect("chromium is installed: seed-demo/install-browser");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8_lossy(&output.stdout).into_owned()
}

fn look_at(page: &Path) -> Found {
    let html = fs::read_to_string(page).expect("a page");
    let beside = page.with_file_name("looked_at.html");
    fs::write(&beside, html.replacen("</body>", &format!("<script>{LOOK}</script></body>"), 1)).expect("written");
    let dom = browser(&["--dump-dom"], &format!("file://{}", beside.display()));
    let found = dom.split_once("<pre id=\"found\">").and_then(|(_, rest)| rest.split_once("</pre>"));
    let text = found.unwrap_or_else(|| panic!("the look came to its end: {dom}")).0;
    let text = text.replace("&lt;", "<").replace("&gt;", ">").replace("&amp;", "&");
    serde_json::from_str(&text).unwrap_or_else(|error| panic!("{error}: {text}"))
}

#[sqlx::test]
async fn the_page_of_a_pack_is_laid_out_and_printed_without_a_network(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let clinic = eventful_day(&app).await;
    sealed_day(&app, &clinic).await;
    // The longest word a label may hold, with no place to break it.
    let long = json!({ "product_id": id(707), "clinic_id": clinic.clinic_id, "lot_number": "L".repeat(60),
                       "expires_on": "2027-01-31" });
    clinic.tablet.put(&format!("/v1/lots/{}", id(820)), long).await.expect(201);
    odd_steps(&pool).await;
    let pack = pack_of(&clinic.manager, "").await;
    let page = pack.folder().join("summary.html");
    let found = look_at(&page);
    assert_eq!(found.fetched, [""; 0], "nothing is fetched");
    assert_eq!((found.mode.as_str(), found.language.as_str(), found.odd_characters), ("CSS1Compat", "en", 0));
    assert!(found.headings >= 8, "{found:?}");
    assert_eq!(found.on_screen, [""; 0], "nothing is wider than the page");
    assert_eq!(found.on_paper, [""; 0], "nothing is wider than a sheet");
    assert!(found.charts.len() >= 3, "weeks, water and readings: {found:?}");
    for chart in &found.charts {
        assert!(chart.width > 500.0 && chart.height > 20.0 && chart.marks > 0, "{chart:?}");
        assert_eq!(chart.outside, [""; 0], "{}: all of it can be seen", chart.title);
        assert_eq!(chart.meeting, [""; 0], "{}: no words lie over others", chart.title);
    }

    let printed = pack.folder().join("printed.pdf");
    browser(
        &["--no-pdf-header-footer", &format!("--print-to-pdf={}", printed.display())],
        &format!("file://{}", page.display()),
    );
    let pdf = fs::read(&printed).expect("it is printed");
    let sheets = pdf.windows(12).filter(|w| w.starts_with(b"/Type /Page") && w[11] != b's').count();
    assert!(pdf.starts_with(b"%PDF-") && sheets >= 2, "{sheets} sheets");
}

#[tokio::test]
async fn the_page_about_the_api_shows_every_operation_in_a_browser() {
    let mut service = Service::new();
    service.start().await;
    let client = service.client("");
    let (status, document) = client.call(Method::GET, "/openapi.json", None, None).await.expect("an answer");
    assert_eq!(status, StatusCode::OK.as_u16());
    let operations: Vec<&str> = document["paths"]
        .as_object()
        .expect("paths")
        .values()
        .flat_map(|path| path.as_object().expect("an item").values())
        .filter_map(|operation| operation["operationId"].as_str())
        .collect();
    let dom = browser(&["--dump-dom"], &format!("{}/docs/", client.base()));
    let missing: Vec<&&str> = operations.iter().filter(|id| !dom.contains(&format!("-{id}\""))).collect();
    assert!(operations.len() > 100 && missing.is_empty(), "{missing:?} of {}", operations.len());
}
