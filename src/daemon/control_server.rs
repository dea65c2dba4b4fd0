//! The server of the control protocol: turns each request on the socket in the state folder into an event of the loop.
//! Bounded: it answers a few requests at a time, and waits for each a few seconds.

use super::control::Answer;
use super::events::LoopEvent;
use crate::disk::{DiskError, host};
use crate::model::limits::{REQUEST_BYTES, REQUESTS_MAX};
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncBufReadExt as _, AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::{UnixListener, UnixStream};
use tokio::sync::{Semaphore, mpsc, oneshot};

/// How long a client may take to send its request.
const REQUEST_PATIENCE: Duration = Duration::from_secs(5);

/// The running server. Dropping it ends the server.
pub(super) struct ControlServer(tokio::task::JoinHandle<()>);

impl Drop for ControlServer {
    fn drop(&mut self) {
        self.0.abort();
    }
}

/// Starts the server.
pub(super) fn listen(
    state: &Path,
    events: mpsc::Sender<LoopEvent>,
) -> Result<ControlServer, DiskError> {
    let listener = host::listen(state)?;
    let listener = UnixListener::from_std(listener).map_err(|e| host::socket_error(state, &e))?;
    let permits = Arc::new(Semaphore::new(REQUESTS_MAX));
    let task = tokio::spawn(async move {
        while let (Ok(permit), Ok((stream, _))) =
            (Arc::clone(&permits).acquire_owned().await, listener.accept().await)
        {
            let events = events.clone();
            tokio::spawn(async move {
                if let Err(error) = serve(stream, &events).await {
                    tracing::debug!(%error, "a request was not answered");
                }
                drop(permit);
            });
        }
    });
    Ok(ControlServer(task))
}

async fn serve(stream: UnixStream, events: &mpsc::Sender<LoopEvent>) -> std::io::Result<()> {
    let (reader, mut writer) = stream.into_split();
    let mut line = Vec::new();
    let mut reader = tokio::io::BufReader::new(reader.take(REQUEST_BYTES));
    tokio::time::timeout(REQUEST_PATIENCE, reader.read_until(b'\n', &mut line)).await??;
    let answer = match serde_json::from_slice(&line) {
        Ok(request) => {
            let (reply_to, answer) = oneshot::channel();
            match events.send(LoopEvent::Requested(request, reply_to)).await {
                Ok(()) => answer.await.ok(),
                Err(_) => None,
            }
        }
        Err(error) => Some(Answer::Refused(format!("not understood: {error}"))),
    };
    let answer = answer.unwrap_or_else(|| Answer::Refused("the daemon is ending".into()));
    let mut text = serde_json::to_vec(&answer)?;
    text.push(b'\n');
    writer.write_all(&text).await
}
