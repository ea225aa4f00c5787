//! To be written.
use super::AppState;
use utoipa_axum::router::OpenApiRouter;
/// To be written.
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new()
}
