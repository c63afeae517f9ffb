//! The HTTP side of the metrics: one page, read-only, for few and patient clients.
//!
//! Every client costs at most [`CLIENT_WITHIN`] and one place of [`CLIENTS_MAX`], whatever it sends or doesn't read. It is
//! served on the async threads, which the lab thread never waits for.

use std::convert::Infallible;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use hyper::body::Incoming;
use hyper::header::{ACCEPT, ALLOW, CONTENT_TYPE, HeaderValue};
use hyper::service::service_fn;
use hyper::{Method, Request, Response, StatusCode};
use hyper_util::rt::{TokioIo, TokioTimer};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::Semaphore;
use tokio::time::{sleep, timeout};
use tracing::{debug, error, info, warn};

use super::{Exposition, Form};

/// The page.
const PATH: &str = "/metrics";
/// Clients at once: a few servers that scrape, and a person who looks.
const CLIENTS_MAX: usize = 16;
/// How long a client may take for its request and the answer together. Servers wait 10 s for theirs by default.
const CLIENT_WITHIN: Duration = Duration::from_secs(10);
/// How long it may take for its headers alone.
const HEADERS_WITHIN: Duration = Duration::from_secs(3);
/// Longest head of a request, bytes; hyper asks for 8 KiB at least.
const HEAD_BYTES_MAX: usize = 8 * 1024;
/// How often an address that isn't there yet, or is taken, is tried again.
const RETRY: Duration = Duration::from_secs(5);

/// Listens for as long as the daemon lives. An address that can't be had is said and tried again: heat doesn't depend on it.
pub(super) async fn serve(at: SocketAddr, exposition: Arc<Exposition>) {
    if !at.ip().is_loopback() {
        warn!(
            "metrics are served at {at}, beyond this host: whoever reaches it may read them, there is no password; \
             a firewall or `listen = \"127.0.0.1:{}\"` keeps others out",
            at.port()
        );
    }
    let mut said = false;
    let listener = loop {
        match TcpListener::bind(at).await {
            Ok(listener) => break listener,
            Err(error) if !said => {
                said = true;
                error!(
                    "metrics can't be served at {at}: {error}; tried again each {RETRY:?}; check `listen` in [metrics]"
                );
            }
            Err(_) => {}
        }
        sleep(RETRY).await;
    };
    // Port 0 is any free one: the log says which.
    let bound = listener.local_addr().unwrap_or(at);
    info!("metrics are at http://{bound}{PATH}");
    let room = Arc::new(Semaphore::new(CLIENTS_MAX));
    loop {
        let Ok(place) = room.clone().acquire_owned().await else {
            return;
        };
        match listener.accept().await {
            Ok((stream, _)) => {
                let exposition = exposition.clone();
                tokio::spawn(async move {
                    look_after(stream, exposition).await;
                    drop(place);
                });
            }
            Err(error) => {
                // Out of descriptors, most likely: others may free some.
                warn!("can't accept a client of the metrics: {error}");
                sleep(Duration::from_millis(200)).await;
            }
        }
    }
}

/// One client, one request.
async fn look_after(stream: TcpStream, exposition: Arc<Exposition>) {
    let served = hyper::server::conn::http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEADERS_WITHIN)
        .max_buf_size(HEAD_BYTES_MAX)
        .keep_alive(false)
        .serve_connection(
            TokioIo::new(stream),
            service_fn(move |request| {
                let response = answer(&request, &exposition);
                async move { Ok::<_, Infallible>(response) }
            }),
        );
    match timeout(CLIENT_WITHIN, served).await {
        Ok(Ok(())) => {}
        Ok(Err(error)) => debug!("a client of the metrics is gone: {error}"),
        Err(_) => debug!("a client of the metrics took longer than {CLIENT_WITHIN:?} and is dropped"),
    }
}

fn answer(request: &Request<Incoming>, exposition: &Exposition) -> Response<String> {
    if request.uri().path() != PATH {
        return plain(StatusCode::NOT_FOUND, format!("there is one page here: {PATH}\n"));
    }
    if ![Method::GET, Method::HEAD].contains(request.method()) {
        let text = format!("{PATH} can only be read: GET or HEAD\n");
        let mut response = plain(StatusCode::METHOD_NOT_ALLOWED, text);
        response
            .headers_mut()
            .insert(ALLOW, HeaderValue::from_static("GET, HEAD"));
        return response;
    }
    let accept = request.headers().get_all(ACCEPT).iter();
    let accept: Vec<&str> = accept.filter_map(|value| value.to_str().ok()).collect();
    let form = Form::accepted(&accept.join(","));
    match exposition.text(form) {
        Ok(text) => {
            let mut response = Response::new(text.to_string());
            response
                .headers_mut()
                .insert(CONTENT_TYPE, HeaderValue::from_static(form.content_type()));
            response
        }
        Err(error) => plain(
            StatusCode::INTERNAL_SERVER_ERROR,
            format!("the figures can't be written: {error}\n"),
        ),
    }
}

fn plain(status: StatusCode, text: String) -> Response<String> {
    let mut response = Response::new(text);
    *response.status_mut() = status;
    let plain = HeaderValue::from_static("text/plain; charset=utf-8");
    response.headers_mut().insert(CONTENT_TYPE, plain);
    response
}
