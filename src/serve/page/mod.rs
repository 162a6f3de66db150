//! The pages for people.

use axum::Router;

use crate::serve::Face;

/// Every page and what belongs to it.
pub fn routes() -> Router<Face> {
    Router::new()
}
