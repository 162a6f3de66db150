//! Overhears every byte that arrives on a port, for a person who looks for a fault: what the guard
//! drops as damage often shows its cause.

use std::io;
use std::pin::Pin;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::task::{Context, Poll};

use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};

use crate::modbus::port::Io;

/// So many bytes are kept of what arrives between two looks; the rest is dropped.
pub const HEARD_BYTES_MAX: usize = 1024;

/// What has arrived since the last look.
#[derive(Debug, Clone, Default)]
pub(super) struct Tap(Arc<Mutex<Vec<u8>>>);

impl Tap {
    /// The port, overheard.
    pub fn on(&self, io: impl Io + 'static) -> impl Io + 'static {
        Tapped { io, tap: self.clone() }
    }

    /// What has arrived since the last look.
    pub fn take(&self) -> Vec<u8> {
        std::mem::take(&mut self.heard())
    }

    fn heard(&self) -> MutexGuard<'_, Vec<u8>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

struct Tapped<T> {
    io: T,
    tap: Tap,
}

impl<T: Io> AsyncRead for Tapped<T> {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buf: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        let before = buf.filled().len();
        let polled = Pin::new(&mut self.io).poll_read(cx, buf);
        let arrived = buf.filled().get(before..).unwrap_or_default();
        let mut heard = self.tap.heard();
        let room = HEARD_BYTES_MAX.saturating_sub(heard.len());
        heard.extend(arrived.iter().take(room));
        drop(heard);
        polled
    }
}

impl<T: Io> AsyncWrite for Tapped<T> {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        Pin::new(&mut self.io).poll_write(cx, bytes)
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.io).poll_flush(cx)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.io).poll_shutdown(cx)
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use tokio::io::{AsyncReadExt, AsyncWriteExt, duplex};

    use super::*;

    #[tokio::test]
    async fn what_arrives_is_overheard_up_to_a_limit_and_nothing_is_changed() {
        let (ours, mut theirs) = duplex(4096);
        let tap = Tap::default();
        let mut port = tap.on(ours);
        let sent: Vec<u8> = (0..=255).cycle().take(HEARD_BYTES_MAX + 100).collect();
        theirs.write_all(&sent).await.unwrap();
        let mut got = vec![0; sent.len()];
        port.read_exact(&mut got).await.unwrap();
        assert_eq!(got, sent);
        assert_eq!(tap.take(), sent[..HEARD_BYTES_MAX]);
        assert!(tap.take().is_empty());
    }
}
