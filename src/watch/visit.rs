//! What visitors are answered: the page, its parts, the stream of what changes, what is asked of the run, the fleet.
use super::door::{Asked, May, Reply, is_own};
use super::serve::Heart;
use super::shown::Seen;
use super::{Shared, fleet, locked, page};
use crate::bench::clock::{instant, pause};
use axum::body::Body;
use axum::extract::{DefaultBodyLimit, Extension, Path, Request, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::middleware::{Next, from_fn};
use axum::response::sse::{Event, Sse};
use axum::response::{Html, IntoResponse, Redirect, Response};
use axum::routing::{get, post};
use axum::{Json, Router};
use serde_json::{Value, json};
use std::convert::Infallible;
use std::sync::Arc;
use std::time::{Duration, Instant};

/// Longest body of a request, in bytes.
const LONGEST_BODY: usize = 1024;
/// Wall time between two frames for one reader.
const FRAME_EVERY: Duration = Duration::from_millis(250);
/// Wall time between two frames with pictures for one reader.
const PICTURES_EVERY: Duration = Duration::from_secs(1);
/// A reader is told at least this often that the program lives.
const BEAT: Duration = Duration::from_secs(3);

/// The heart of the visitor that asks.
#[derive(Clone, Debug)]
pub(super) struct Pulse(pub(super) Arc<Heart>);

type Told = State<Arc<Shared>>;

/// The answers.
pub(super) fn visits(shared: Arc<Shared>) -> Router {
    Router::new()
        .route("/{token}", get(slash))
        .route("/{token}/", get(whole))
        .route("/{token}/page.css", get(style))
        .route("/{token}/page.js", get(script))
        .route("/{token}/live", get(live))
        .route("/{token}/ask", post(ask))
        .route("/{token}/fleet", get(fleet::list))
        .route("/{token}/fleet/report", get(fleet::report))
        .route("/{token}/run/{id}", get(fleet::run))
        .fallback(nothing)
        .method_not_allowed_fallback(nothing)
        .layer(DefaultBodyLimit::max(LONGEST_BODY))
        .layer(from_fn(heads))
        .with_state(shared)
}

/// The same words for a wrong address and a wrong token: nothing is told to whoever tries.
async fn nothing() -> Response {
    (StatusCode::NOT_FOUND, "There is nothing at this address.\n").into_response()
}

/// What each answer carries: nothing is kept, nothing of others is loaded, nobody puts the page into a frame.
async fn heads(request: Request, next: Next) -> Response {
    let mut response = next.run(request).await;
    let refused = !response.status().is_success();
    let heads = response.headers_mut();
    if refused {
        // Whoever has no business here does not keep a place.
        heads.insert(header::CONNECTION, HeaderValue::from_static("close"));
    }
    heads.entry(header::CONTENT_SECURITY_POLICY).or_insert(HeaderValue::from_static(
        "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src data:; \
         base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    ));
    for (name, value) in [
        (header::CACHE_CONTROL, "no-store"),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::REFERRER_POLICY, "no-referrer"),
        (header::X_FRAME_OPTIONS, "DENY"),
        (header::HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
        (header::HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
    ] {
        heads.insert(name, HeaderValue::from_static(value));
    }
    response
}

/// What the bearer may do; the answer to those who may nothing.
#[expect(clippy::result_large_err, reason = "the answer of axum, made once a visit")]
pub(super) fn may(shared: &Shared, token: &str) -> Result<May, Response> {
    shared
        .tokens
        .may(token)
        .ok_or_else(|| (StatusCode::NOT_FOUND, "There is nothing at this address.\n").into_response())
}

/// Addresses within the page are relative to its slash.
async fn slash(State(shared): Told, Path(token): Path<String>) -> Response {
    match may(&shared, &token) {
        Ok(_) => Redirect::permanent(&format!("/{token}/")).into_response(),
        Err(answer) => answer,
    }
}

async fn whole(State(shared): Told, Path(token): Path<String>) -> Response {
    match may(&shared, &token) {
        Ok(may) => Html(page::page(may)).into_response(),
        Err(answer) => answer,
    }
}

async fn style(State(shared): Told, Path(token): Path<String>) -> Response {
    part(&shared, &token, "text/css; charset=utf-8", page::style())
}

async fn script(State(shared): Told, Path(token): Path<String>) -> Response {
    part(&shared, &token, "text/javascript; charset=utf-8", page::SCRIPT.to_owned())
}

fn part(shared: &Shared, token: &str, kind: &'static str, text: String) -> Response {
    match may(shared, token) {
        Ok(_) => ([(header::CONTENT_TYPE, kind)], text).into_response(),
        Err(answer) => answer,
    }
}

/// A reader of the stream.
struct Reader {
    shared: Arc<Shared>,
    changed: tokio::sync::watch::Receiver<u64>,
    closing: tokio::sync::watch::Receiver<bool>,
    heart: Arc<Heart>,
    /// The run that it was shown.
    run: Option<String>,
    seen: Seen,
    sent: Option<Instant>,
    pictured: Option<Instant>,
    over: bool,
}

async fn live(
    State(shared): Told,
    Path(token): Path<String>,
    Extension(Pulse(heart)): Extension<Pulse>,
) -> Response {
    if let Err(answer) = may(&shared, &token) {
        return answer;
    }
    let reader = Reader {
        changed: shared.changed.subscribe(),
        closing: shared.closing.subscribe(),
        shared,
        heart,
        run: None,
        seen: Seen::default(),
        sent: None,
        pictured: None,
        over: false,
    };
    Sse::new(futures_util::stream::unfold(reader, Reader::next)).into_response()
}

impl Reader {
    /// The next thing that it is told; asked for only when what was told before has gone out.
    async fn next(mut self) -> Option<(Result<Event, Infallible>, Self)> {
        self.heart.beat();
        if self.over {
            return None;
        }
        let event = loop {
            if let Some(sent) = self.sent {
                let due = FRAME_EVERY.saturating_sub(instant().saturating_duration_since(sent));
                if !*self.closing.borrow() {
                    pause(due).await;
                }
            }
            if *self.closing.borrow() {
                self.over = true;
                let last = self.frame(true);
                break Event::default().event("over").data(last.unwrap_or(Value::Null).to_string());
            }
            self.changed.mark_unchanged();
            let now = instant();
            let pictures = self.pictured.is_none_or(|at| now.saturating_duration_since(at) >= PICTURES_EVERY);
            if let Some(frame) = self.frame(pictures) {
                self.sent = Some(now);
                if pictures {
                    self.pictured = Some(now);
                }
                break Event::default().event("frame").data(frame.to_string());
            }
            tokio::select! {
                // Both senders live in `shared`.
                _ = self.changed.changed() => {}
                _ = self.closing.changed() => {}
                () = pause(BEAT) => {
                    self.sent = Some(instant());
                    break Event::default().event("beat").data("");
                }
            }
        };
        Some((Ok(event), self))
    }

    /// What changed since it was told last; none where nothing did.
    fn frame(&mut self, pictures: bool) -> Option<Value> {
        let mut shown = locked(&self.shared.shown);
        let shown = shown.as_mut()?;
        if self.run.as_deref() != Some(shown.run_id()) {
            self.run = Some(shown.run_id().to_owned());
            self.seen = Seen::default();
        }
        let frame = shown.since(&mut self.seen, pictures);
        frame.as_object().is_some_and(|parts| !parts.is_empty()).then_some(frame)
    }
}

fn refused(status: StatusCode, why: &str) -> Response {
    (status, Json(json!({ "ok": false, "error": why }))).into_response()
}

/// Something is asked of the run.
async fn ask(
    State(shared): Told,
    Path(token): Path<String>,
    heads: HeaderMap,
    body: axum::body::Bytes,
) -> Response {
    match may(&shared, &token) {
        Ok(May::Act) => {}
        Ok(May::Look) => return refused(StatusCode::FORBIDDEN, "this address is for looking only"),
        Err(answer) => return answer,
    }
    let head = |name| heads.get(name).and_then(|value| value.to_str().ok());
    if !is_own(head(header::ORIGIN), head(header::HOST)) {
        return refused(StatusCode::FORBIDDEN, "asked from a page that is not this one");
    }
    let Ok(asked) = serde_json::from_slice::<Asked>(&body) else {
        return refused(StatusCode::BAD_REQUEST, "expected an object with id and line");
    };
    let Some(way_in) = locked(&shared.way_in).clone() else {
        return refused(StatusCode::SERVICE_UNAVAILABLE, "no run has begun");
    };
    let now_s = instant().saturating_duration_since(shared.began).as_secs_f64();
    let reply = locked(&shared.answered).take(&asked, now_s, |command| way_in.command(command));
    match reply {
        Reply::Done => Json(json!({ "ok": true })).into_response(),
        Reply::Refused(why) => refused(StatusCode::CONFLICT, &why),
        Reply::TooOften => refused(StatusCode::TOO_MANY_REQUESTS, "too much was asked; wait ten seconds"),
    }
}

/// An answer that is a whole report: a page of its own without scripts, its style within.
pub(super) fn report(html: String) -> Response {
    let policy = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";
    ([(header::CONTENT_SECURITY_POLICY, policy)], Html::<Body>(html.into())).into_response()
}
