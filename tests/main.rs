//! Tests.

mod operations;
