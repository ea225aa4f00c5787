//! What is sent and answered about lots.
//!
//! The rule of this file: what a lot is now is worked out from all of its marks, which stand beside it.

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use sqlx::PgConnection;
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::domain::cautions;
use crate::domain::lot::{LotInUse, LotMark, LotMarkKind, in_use_until, last_like, standing_recall};
use crate::http::caller::Caller;
use crate::http::problem::{ApiError, ApiResult};
use crate::store;
use crate::store::products::lots::{LotRow, LotUse};

/// A lot as it is entered.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct LotInput {
    /// Its product.
    pub product_id: Uuid,
    /// Where it stands.
    pub clinic_id: Uuid,
    /// As the label prints it.
    #[schema(min_length = 1, max_length = 60, example = "LC3-26-0418")]
    pub lot_number: String,
    /// The last day it may be used on: where the label gives a month, its last day.
    pub expires_on: NaiveDate,
}

/// A mark of a lot as it is kept.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct LotMarkDocument {
    /// What became of it.
    pub kind: LotMarkKind,
    /// When, as the person says; of a recall, when it was recorded.
    pub marked_at: DateTime<Utc>,
    /// The person.
    pub marked_by: String,
    /// The same by identity, where they signed for it; null: by initials only.
    #[schema(required)]
    pub staff_id: Option<Uuid>,
    /// Why; may be empty.
    pub reason: String,
    /// Of a recall: whose notice it follows; else empty.
    pub authority: String,
    /// When it was recorded.
    pub recorded_at: DateTime<Utc>,
}

impl From<LotMark> for LotMarkDocument {
    fn from(mark: LotMark) -> Self {
        Self {
            kind: mark.kind,
            marked_at: mark.marked_at,
            marked_by: mark.marked_by,
            staff_id: mark.staff_id,
            reason: mark.reason,
            authority: mark.authority,
            recorded_at: mark.recorded_at,
        }
    }
}

/// A lot.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct LotDocument {
    /// Its identity.
    pub lot_id: Uuid,
    /// Its product.
    pub product_id: Uuid,
    /// Where it stands.
    pub clinic_id: Uuid,
    /// As the label prints it.
    pub lot_number: String,
    /// The last day it may be used on.
    pub expires_on: NaiveDate,
    /// When it was entered.
    pub recorded_at: DateTime<Utc>,
    /// When it was opened, by the last entry; null: no opening is recorded.
    #[schema(required)]
    pub opened_at: Option<DateTime<Utc>>,
    /// From when on it may not be used any more: the end of its expiry date at the clinic, or of its life after opening.
    pub in_use_until: DateTime<Utc>,
    /// When it was emptied or discarded, by the last entry; null: not recorded.
    #[schema(required)]
    pub ended_at: Option<DateTime<Utc>>,
    /// When the recall that stands was recorded; null: none stands.
    #[schema(required)]
    pub recalled_at: Option<DateTime<Utc>>,
    /// Every mark, in the order they came.
    pub marks: Vec<LotMarkDocument>,
    /// Cautions of the product and of every product.
    pub cautions: Vec<String>,
}

impl LotDocument {
    /// The document of a lot by the version it was read with.
    pub(super) fn of(row: LotRow, lot: LotInUse) -> Self {
        let opened_at = last_like(&lot.marks, LotMarkKind::Opened).map(|mark| mark.marked_at);
        let life = lot.version.product.life_after_opening;
        let mut cautions = lot.version.product.cautions;
        cautions.extend(cautions::PRODUCTS.map(str::to_owned));
        Self {
            lot_id: row.lot_id,
            product_id: row.product_id,
            clinic_id: row.clinic_id,
            lot_number: row.lot_number,
            expires_on: row.expires_on,
            recorded_at: row.recorded_at,
            opened_at,
            in_use_until: in_use_until(row.expires_on, opened_at, life, &lot.zone),
            ended_at: last_like(&lot.marks, LotMarkKind::Emptied).map(|mark| mark.marked_at),
            recalled_at: standing_recall(&lot.marks).map(|mark| mark.recorded_at),
            marks: lot.marks.into_iter().map(LotMarkDocument::from).collect(),
            cautions,
        }
    }

    /// The documents of some lots, in their order, by the versions in force today.
    pub(in crate::http::products) async fn of_rows(
        db: &mut PgConnection,
        caller: &Caller,
        rows: Vec<LotRow>,
    ) -> ApiResult<Vec<Self>> {
        let ids: Vec<Uuid> = rows.iter().map(|row| row.lot_id).collect();
        let mut lots = store::products::lots::list_in_use(db, caller.group_id, &ids, caller.now.date_naive()).await?;
        rows.into_iter()
            .map(|row| {
                let lot = lots.remove(&row.lot_id).ok_or_else(ApiError::internal)?;
                Ok(Self::of(row, lot))
            })
            .collect()
    }

    /// The document of one lot.
    pub(in crate::http::products) async fn of_row(
        db: &mut PgConnection,
        caller: &Caller,
        row: LotRow,
    ) -> ApiResult<Self> {
        Self::of_rows(db, caller, vec![row]).await?.pop().ok_or_else(ApiError::internal)
    }
}

/// One page of lots.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct LotPage {
    /// The newest entry first.
    pub items: Vec<LotDocument>,
}

/// One completion that was worked with a lot.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct LotUseDocument {
    /// The completion.
    pub completion_id: Uuid,
    /// Its task.
    pub task_id: Uuid,
    /// Where it fell due.
    pub clinic_id: Uuid,
    /// What it was about.
    pub subject_id: Uuid,
    /// Its clinic day.
    pub clinic_day: NaiveDate,
    /// When it was done.
    pub performed_at: DateTime<Utc>,
    /// When it was recorded.
    pub recorded_at: DateTime<Utc>,
    /// The person.
    pub performed_by: String,
    /// Its verdict as it was given when it was recorded: a recall that came later changes none.
    pub verdict: String,
    /// The steps that name the lot.
    pub steps: Vec<String>,
}

impl From<LotUse> for LotUseDocument {
    fn from(used: LotUse) -> Self {
        Self {
            completion_id: used.completion_id,
            task_id: used.task_id,
            clinic_id: used.clinic_id,
            subject_id: used.subject_id,
            clinic_day: used.clinic_day,
            performed_at: used.performed_at,
            recorded_at: used.recorded_at,
            performed_by: used.performed_by,
            verdict: used.verdict,
            steps: used.step_keys,
        }
    }
}

/// One page of what was worked with a lot.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct LotUsePage {
    /// How many completions name the lot, on all pages.
    #[schema(minimum = 0)]
    pub total: i64,
    /// The newest work first.
    pub items: Vec<LotUseDocument>,
}

/// Which lots are listed.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct LotQuery {
    /// Only those at this clinic.
    pub clinic_id: Option<Uuid>,
    /// Only those that expire within so many days from today, or have expired, and were neither emptied nor discarded.
    #[param(minimum = 0, maximum = 3660)]
    pub expiring_within_days: Option<u16>,
    /// Most items in one answer; 100 when not given.
    #[param(minimum = 1, maximum = 500)]
    pub limit: Option<u16>,
    /// Where to go on, as the `Link` field of the page before gave it.
    #[param(pattern = "^[A-Za-z0-9_-]{34}$")]
    pub cursor: Option<String>,
}
