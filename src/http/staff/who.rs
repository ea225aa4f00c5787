//! Who somebody says did a piece of work.
//!
//! The rule of this file: a person who cannot be told, or was not there, refuses nothing and is flagged; only an id that is
//! nobody's is a fault.

use chrono::{DateTime, NaiveDate, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use crate::domain::evidence::CLOCK_TOLERANCE;
use crate::domain::fault::Fault;
use crate::domain::flags::Person;
use crate::http::caller::Caller;
use crate::http::problem::{ApiError, ApiResult};
use crate::store::{clinics, staff};

/// What is said of who did it, where and when.
#[derive(Clone, Copy, Debug)]
pub(in crate::http) struct Said<'a> {
    pub(in crate::http) staff_id: Option<Uuid>,
    pub(in crate::http) initials: Option<&'a str>,
    pub(in crate::http) clinic_id: Uuid,
    pub(in crate::http) performed_at: DateTime<Utc>,
}

/// Who did it.
#[derive(Debug)]
pub(in crate::http) struct Who {
    /// As it is kept: the initials that were sent, else those of the person named by id.
    pub(in crate::http) performed_by: String,
    pub(in crate::http) person: Person,
    /// The clinic day of the work.
    pub(in crate::http) day: NaiveDate,
    is_nobody: bool,
}

impl Who {
    /// Why nothing can be made of it.
    pub(in crate::http) fn fault(&self) -> Option<Fault> {
        self.is_nobody.then(|| Fault::new("/staff_id", "names nobody of this group's staff"))
    }
}

/// Finds out who did it.
///
/// # Errors
/// When the database does not answer.
pub(in crate::http) async fn find(db: &mut PgConnection, caller: &Caller, said: Said<'_>) -> ApiResult<Who> {
    let initials = said.initials.unwrap_or_default().to_owned();
    let hours = clinics::hours(db, caller.group_id, said.clinic_id).await?;
    let hours = hours.ok_or_else(|| ApiError::not_found("clinic"))?;
    // What lies out of all bounds is refused beside this, and must not be reckoned with first.
    let performed_at = said.performed_at.clamp(DateTime::UNIX_EPOCH, caller.now + CLOCK_TOLERANCE);
    let day = hours.clinic_day_of(performed_at);
    if !staff::is_kept(db, caller.group_id).await? {
        let is_nobody = said.staff_id.is_some();
        return Ok(Who { performed_by: initials, person: Person::NotKept, day, is_nobody });
    }
    let person = match said.staff_id {
        Some(staff_id) => staff::find(db, caller.group_id, staff_id).await?.map_or(Person::Unknown, Person::Known),
        None => Person::by_initials(staff::list_with_initials(db, caller.group_id, &initials).await?, day),
    };
    let is_nobody = said.staff_id.is_some() && person == Person::Unknown;
    let performed_by = match (said.initials, &person) {
        (None, Person::Known(person)) => person.initials.clone(),
        _ => initials,
    };
    Ok(Who { performed_by, person, day, is_nobody })
}
