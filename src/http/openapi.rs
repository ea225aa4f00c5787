//! The OpenAPI document: what the handlers say about themselves, completed with what is true of all of them.
//!
//! The rule of this file: a handler describes its wished-for answers; the problems that any handler can answer, the
//! key it takes and the examples are added here, once, so that no operation can forget one.

mod closing;
mod trials;

use serde_json::Value;
use utoipa::openapi::path::{Operation, Parameter, PathItem};
use utoipa::openapi::schema::{KnownFormat, Schema, SchemaFormat};
use utoipa::openapi::security::{HttpAuthScheme, HttpBuilder, SecurityRequirement, SecurityScheme};
use utoipa::openapi::tag::TagBuilder;
use utoipa::openapi::{
    Components, Content, ContentBuilder, Header, HeaderBuilder, InfoBuilder, LicenseBuilder, ObjectBuilder, OpenApi,
    Ref, RefOr, Response, ResponseBuilder, Type,
};
use utoipa::{PartialSchema as _, ToSchema as _};

use super::planning;
use super::problem::Problem;
use super::{
    clinics, completions, corrective_actions, cycles, desk, exports, health, keys, products, readiness, resources,
    retention, routines, seals, sign_offs, site_events, staff, tasks, water_advisories,
};

/// An example of a body, made by serialising a real value of its type.
#[derive(Clone, Debug)]
pub struct Example {
    /// The operation it belongs to.
    pub operation_id: &'static str,
    /// Which of its bodies it shows.
    pub part: Part,
    /// The body.
    pub value: Value,
}

/// A body of an operation.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    /// The body of the request.
    Request,
    /// The JSON body of its answers from 200 to 299.
    Response,
    /// The JSON body of its answer 201, where that differs from its 200.
    Created,
}

/// Every example, in the order of [`resources`].
fn examples() -> Vec<Example> {
    [
        clinics::group::examples(),
        clinics::examples(),
        clinics::hours::examples(),
        clinics::weeks::examples(),
        planning::zone_moves::examples(),
        clinics::full_days::examples(),
        clinics::closures::examples(),
        clinics::closure_import::examples(),
        clinics::special_openings::examples(),
        clinics::operatories::examples(),
        clinics::equipment::examples(),
        cycles::examples(),
        cycles::records::examples(),
        clinics::instruments::examples(),
        routines::examples(),
        products::examples(),
        products::lots::examples(),
        products::dilutions::examples(),
        routines::own_limits::examples(),
        routines::ladder::examples(),
        keys::examples(),
        staff::examples(),
        staff::pins::examples(),
        staff::competences::examples(),
        staff::signature::examples(),
        staff::expiring::examples(),
        desk::presence::examples(),
        desk::days_without_presence::examples(),
        completions::entries_to_review::examples(),
        tasks::feeds::examples(),
        desk::examples(),
        readiness::examples(),
        readiness::board::examples(),
        tasks::due::examples(),
        tasks::examples(),
        tasks::why::examples(),
        tasks::why_nothing::examples(),
        tasks::holds::examples(),
        completions::examples(),
        site_events::examples(),
        corrective_actions::chains::examples(),
        corrective_actions::examples(),
        water_advisories::examples(),
        cycles::loads::examples(),
        cycles::log_reductions::examples(),
        readiness::history::examples(),
        corrective_actions::quarantines::examples(),
        tasks::miss_reasons::examples(),
        sign_offs::day_signing::examples(),
        sign_offs::examples(),
        tasks::overdue::examples(),
        tasks::summary::examples(),
        planning::forecast::examples(),
        planning::plan_warnings::examples(),
        exports::examples(),
        exports::evidence_packs::examples(),
        seals::examples(),
        seals::proofs::examples(),
        retention::examples(),
        retention::legal_holds::examples(),
        retention::purges::examples(),
        health::examples(),
    ]
    .into_iter()
    .flatten()
    .collect()
}

const DESCRIPTION: &str = "\
Chairtide plans the recurring hygiene routines of dental clinics into tasks with windows, and keeps what people record \
about them as evidence.

**Cautions.** The maker's instructions for use and the code that applies where the clinic stands come first; routines, \
limits and times held here are what the group entered, with the source it named. Chairtide says *recorded* and *record \
missing*. A record says what somebody entered, by whom and when; it does not say that water, an instrument or a room \
is free of germs, and nothing here is medical advice. No field is meant for data about patients.

**Keys.** Send an API key as `Authorization: Bearer ct.…`. A key has a role and a reach; what lies outside its reach \
answers 404, as if it did not exist.

**Repeating.** `PUT` with an id of your own making is safe to repeat. `POST` is safe to repeat where the body carries \
an id or the path has a natural key, and with the same `Idempotency-Key` otherwise; answers under such a key are kept \
for 7 days.

**Trying.** An edit of the configuration with the query parameter `preview=true` is tried: it answers 200 with what \
planning would then do to each clinic's tasks and what the plan would then be warned about, keeps nothing, and is refused
as the edit itself would be.

**Problems** come as `application/problem+json` (RFC 9457) with a stable `type`, a JSON pointer to each bad field and \
the request id that the log holds too.

**Times.** Instants are RFC 3339 in UTC, dates `YYYY-MM-DD`, local times `HH:MM` in the clinic's zone.

**Text** holds no NUL character (U+0000); other control characters break a rule where a line of text is asked for.";

/// The tags in the order a reader meets them.
const TAGS: [(&str, &str); 16] = [
    ("Clinics", "The group, its clinics, their hours, and what stands in them"),
    ("Products", "What work is done with: instructions, lots, recalls, dilutions"),
    ("Routines", "What recurs, for which subjects, in which steps; and whom lateness reaches"),
    ("Keys", "Who may call"),
    ("Staff", "Who works in the group, what they were trained for, and the PINs they sign with"),
    ("Front desk", "The clinic's day and its turnovers, and what an operatory's record lacks"),
    ("Chairside", "What is due, timed holds, completions and cycles of equipment"),
    ("Manager", "What is overdue, sums over sites, and what happened at them"),
    ("Corrective actions", "What is done when something fails: steps, quarantines and their release"),
    (
        "Water advisories",
        "Boil-water advisories and other notices not to use mains water: recorded, lifted, and what follows at each chair",
    ),
    ("Day sign-off", "A lead looks at a clinic day, explains its gaps and signs it"),
    ("Exports", "Records in bulk for other systems, and packs of evidence for whoever inspects"),
    ("Seals", "Whether what was recorded is as it was, with proofs that can be checked elsewhere"),
    ("Retention", "How long records are kept, legal holds, and purges by a lead's act"),
    ("Calendars", "A clinic's tasks in other people's calendar programs"),
    ("Operations", "For whoever runs the service; no key needed"),
];

/// A kind of problem that operations share.
struct Shared {
    status: u16,
    name: &'static str,
    description: &'static str,
    applies: fn(&Facts) -> bool,
}

/// What decides which problems an operation can answer.
#[expect(clippy::struct_excessive_bools, reason = "each is a fact of its own")]
struct Facts {
    takes_key: bool,
    writes: bool,
    has_body: bool,
    /// A date or an instant in the path or the query, which can lie outside the years that are planned or known.
    has_date: bool,
    is_negotiated: bool,
}

#[rustfmt::skip]
const SHARED: [Shared; 13] = [
    Shared { status: 400, name: "Malformed", description: "The request cannot be read", applies: |_| true },
    Shared { status: 401, name: "KeyMissing", description: "A valid key is needed", applies: |f| f.takes_key },
    Shared { status: 403, name: "RoleMayNot", description: "The key's role may not do this", applies: |f| f.takes_key },
    Shared { status: 404, name: "NotFound", description: "Unknown, or out of the key's reach", applies: |_| true },
    Shared { status: 406, name: "NotAcceptable", description: "No such representation", applies: |f| f.is_negotiated },
    Shared { status: 408, name: "TimedOut", description: "The request took too long", applies: |_| true },
    Shared { status: 409, name: "Conflict", description: "It contradicts what stands", applies: |f| f.writes },
    Shared { status: 413, name: "BodyTooLarge", description: "The body is too large", applies: |f| f.has_body },
    Shared { status: 415, name: "UnsupportedMediaType", description: "The body is not of the type this operation takes", applies: |f| f.has_body },
    Shared { status: 422, name: "RuleBroken", description: "It can be read and breaks a rule", applies: |f| f.has_body || f.has_date },
    Shared { status: 429, name: "PinLocked", description: "Where a person signs: their PIN was wrong too often in a row", applies: |f| f.writes && f.has_body },
    Shared { status: 500, name: "Internal", description: "The service failed; nothing was kept", applies: |_| true },
    Shared { status: 503, name: "Unavailable", description: "Not now; repeat it", applies: |_| true },
];

/// The whole document.
#[must_use]
pub fn document() -> OpenApi {
    complete(resources().into_openapi())
}

/// Completes what the handlers say about themselves.
pub(super) fn complete(mut document: OpenApi) -> OpenApi {
    document.info = InfoBuilder::new()
        .title("Chairtide")
        .version(env!("CARGO_PKG_VERSION"))
        .description(Some(DESCRIPTION))
        .license(Some(LicenseBuilder::new().name("Apache-2.0").identifier(Some("Apache-2.0")).build()))
        .build();
    document.servers = None;
    document.tags = Some(
        TAGS.iter().map(|(name, meaning)| TagBuilder::new().name(*name).description(Some(*meaning)).build()).collect(),
    );
    add_components(document.components.get_or_insert_default());
    for (path, item) in &mut document.paths.paths {
        for (writes, operation) in operations_mut(item) {
            let takes_key = path.starts_with("/v1/");
            let key = takes_key.then(|| SecurityRequirement::new::<_, [&str; 0], _>("api_key", []));
            operation.security = Some(key.into_iter().collect());
            // A feed's path is its key; what is left answers probes and has no problems of this kind.
            if takes_key || path.starts_with("/feeds/") {
                add_problems(operation, writes, takes_key);
            }
        }
    }
    closing::close_variants(&mut document);
    trials::add_trials(&mut document);
    for example in examples() {
        add_example(&mut document, &example);
    }
    document
}

/// The operations of a path, and whether each may change something.
fn operations_mut(item: &mut PathItem) -> impl Iterator<Item = (bool, &mut Operation)> {
    [(false, &mut item.get), (true, &mut item.put), (true, &mut item.post), (true, &mut item.delete)]
        .into_iter()
        .filter_map(|(writes, operation)| Some((writes, operation.as_mut()?)))
}

fn add_components(components: &mut Components) {
    let key = HttpBuilder::new()
        .scheme(HttpAuthScheme::Bearer)
        .bearer_format("ct.<group id>.<secret>")
        .description(Some("An API key of the group, shown once when it is made"))
        .build();
    components.security_schemes.insert("api_key".to_owned(), RefOr::T(SecurityScheme::Http(key)));

    let mut schemas = vec![(Problem::name().into_owned(), Problem::schema())];
    Problem::schemas(&mut schemas);
    components.schemas.extend(schemas);
    for shared in &SHARED {
        components.responses.insert(shared.name.to_owned(), RefOr::T(shared.response()));
    }
}

impl Shared {
    fn response(&self) -> Response {
        let content = ContentBuilder::new().schema(Some(Ref::from_schema_name(Problem::name()))).build();
        let response =
            ResponseBuilder::new().description(self.description).content("application/problem+json", content);
        match self.status {
            401 => response.header("WWW-Authenticate", text_header("`Bearer`")).build(),
            429 | 503 => response.header("Retry-After", text_header("Seconds to wait, where that is known")).build(),
            _ => response.build(),
        }
    }
}

fn text_header(description: &str) -> Header {
    HeaderBuilder::new()
        .schema(Some(ObjectBuilder::new().schema_type(Type::String).build()))
        .description(Some(description))
        .build()
}

fn add_problems(operation: &mut Operation, writes: bool, takes_key: bool) {
    let is_negotiated = operation.responses.responses.values().any(|response| match response {
        RefOr::T(response) => response.content.len() > 1,
        RefOr::Ref(_) => false,
    });
    let has_date = operation.parameters.iter().flatten().any(|parameter| match parameter {
        RefOr::T(Parameter { schema: Some(RefOr::T(Schema::Object(value))), .. }) => {
            matches!(value.format, Some(SchemaFormat::KnownFormat(KnownFormat::Date | KnownFormat::DateTime)))
        }
        _ => false,
    });
    let facts = Facts { takes_key, writes, has_body: operation.request_body.is_some(), has_date, is_negotiated };
    for shared in SHARED.iter().filter(|shared| (shared.applies)(&facts)) {
        operation
            .responses
            .responses
            .entry(shared.status.to_string())
            .or_insert_with(|| RefOr::Ref(Ref::from_response_name(shared.name)));
    }
}

/// Puts an example where it belongs. One that belongs nowhere is left out here and found by a test.
fn add_example(document: &mut OpenApi, example: &Example) {
    let operations = document.paths.paths.values_mut().flat_map(operations_mut);
    for (_, operation) in operations.filter(|(_, o)| o.operation_id.as_deref() == Some(example.operation_id)) {
        for content in json_contents_mut(operation, example.part) {
            content.example = Some(example.value.clone());
        }
    }
}

/// The JSON bodies of one side of an operation. References are not followed: handlers describe their bodies in place.
fn json_contents_mut(operation: &mut Operation, part: Part) -> Vec<&mut Content> {
    let bodies: Vec<_> = match part {
        Part::Request => match &mut operation.request_body {
            Some(RefOr::T(body)) => body.content.get_mut("application/json").into_iter().collect(),
            _ => Vec::new(),
        },
        Part::Response | Part::Created => (operation.responses.responses.iter_mut())
            .filter(|(status, _)| if part == Part::Created { *status == "201" } else { status.starts_with('2') })
            .filter_map(|(_, response)| match response {
                RefOr::T(response) => response.content.get_mut("application/json"),
                RefOr::Ref(_) => None,
            })
            .collect(),
    };
    bodies
        .into_iter()
        .filter_map(|content| match content {
            RefOr::T(content) => Some(content),
            RefOr::Ref(_) => None,
        })
        .collect()
}

#[cfg(test)]
mod tests;
