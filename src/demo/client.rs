//! The demo's only way into the service: its HTTP API, with a bearer token, over a connection that is kept.
//!
//! The rule of this file: an answer that is not a success ends the load with the problem's own words. A history with
//! holes that nobody noticed would be worth nothing.

use std::net::SocketAddr;

use anyhow::{Context, bail};
use reqwest::Method;
use serde::de::DeserializeOwned;
use serde_json::Value;
use uuid::Uuid;

/// A client of the service under one key.
#[derive(Clone, Debug)]
pub(super) struct Client {
    http: reqwest::Client,
    base: String,
    token: String,
}

impl Client {
    /// A client of the service at `address`.
    #[must_use]
    pub(super) fn new(address: SocketAddr, token: String) -> Self {
        Self { http: reqwest::Client::new(), base: format!("http://{address}"), token }
    }

    /// The same connections under another key.
    #[must_use]
    pub(super) fn with_token(&self, token: String) -> Self {
        Self { token, ..self.clone() }
    }

    /// Fetches a document.
    ///
    /// # Errors
    /// When the answer is not a success, or not the document.
    pub(super) async fn get<T: DeserializeOwned>(&self, path: &str) -> anyhow::Result<T> {
        let bytes = self.send(Method::GET, path, None, None).await?;
        serde_json::from_slice(&bytes).with_context(|| format!("GET {path}: the answer has another shape"))
    }

    /// Puts a document.
    ///
    /// # Errors
    /// When the answer is not a success.
    pub(super) async fn put(&self, path: &str, body: &Value) -> anyhow::Result<()> {
        self.send(Method::PUT, path, Some(body), None).await.map(drop)
    }

    /// Posts a document and reads the answer.
    ///
    /// # Errors
    /// When the answer is not a success, or not JSON.
    pub(super) async fn post(&self, path: &str, body: &Value) -> anyhow::Result<Value> {
        let bytes = self.send(Method::POST, path, Some(body), None).await?;
        serde_json::from_slice(&bytes).with_context(|| format!("POST {path}: the answer is not JSON"))
    }

    /// Posts a document that has no natural key, under an Idempotency-Key.
    ///
    /// # Errors
    /// When the answer is not a success.
    pub(super) async fn post_once(&self, path: &str, body: &Value, key: Uuid) -> anyhow::Result<()> {
        self.send(Method::POST, path, Some(body), Some(key)).await.map(drop)
    }

    async fn send(
        &self,
        method: Method,
        path: &str,
        body: Option<&Value>,
        key: Option<Uuid>,
    ) -> anyhow::Result<Vec<u8>> {
        let said = format!("{method} {path}");
        let mut request = self.http.request(method, format!("{}{path}", self.base)).bearer_auth(&self.token);
        if let Some(key) = key {
            request = request.header("Idempotency-Key", format!("\"{key}\""));
        }
        if let Some(body) = body {
            request = request.json(body);
        }
        let answer = request.send().await.with_context(|| said.clone())?;
        let status = answer.status();
        let bytes = answer.bytes().await.with_context(|| said.clone())?.to_vec();
        if !status.is_success() {
            bail!("{said}: {status}: {}", String::from_utf8_lossy(&bytes));
        }
        Ok(bytes)
    }
}
