//! A connection whose reader must keep up.
//!
//! The HTTP library bounds how long a request may take to arrive, but not how long an answer may
//! take to leave. Here an answer must be in the kernel's hands within a fixed time after the socket
//! first refused more, however steadily the reader trickles: a slow reader costs a connection for
//! so long and no longer.

use std::io;
use std::pin::Pin;
use std::task::{Context, Poll};
use std::time::Duration;

use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::time::{Sleep, sleep};

/// How long an answer may take to leave, in seconds.
pub const ANSWER_S_MAX: u64 = 30;

/// A stream that fails when what is written does not leave in time.
pub struct Patient<S> {
    stream: S,
    answer_max: Duration,
    /// Runs from the first write that had to wait until everything written has left.
    waiting: Option<Pin<Box<Sleep>>>,
}

impl<S> Patient<S> {
    /// `stream`, with so much time for an answer to leave.
    pub fn new(stream: S, answer_max: Duration) -> Self {
        Patient { stream, answer_max, waiting: None }
    }

    /// Lets `written` pass, unless it has to wait and has waited too long.
    fn within_time<T>(
        &mut self,
        context: &mut Context<'_>,
        written: Poll<io::Result<T>>,
    ) -> Poll<io::Result<T>> {
        if written.is_ready() && self.waiting.is_none() {
            return written;
        }
        let answer_max = self.answer_max;
        let deadline = self.waiting.get_or_insert_with(|| Box::pin(sleep(answer_max)));
        if deadline.as_mut().poll(context).is_ready() {
            return Poll::Ready(Err(io::Error::new(io::ErrorKind::TimedOut, "the reader is too slow")));
        }
        written
    }
}

impl<S: AsyncRead + Unpin> AsyncRead for Patient<S> {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_read(context, buffer)
    }
}

impl<S: AsyncWrite + Unpin> AsyncWrite for Patient<S> {
    fn poll_write(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        let written = Pin::new(&mut self.stream).poll_write(context, bytes);
        self.within_time(context, written)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let written = Pin::new(&mut self.stream).poll_write_vectored(context, bytes);
        self.within_time(context, written)
    }

    fn is_write_vectored(&self) -> bool {
        self.stream.is_write_vectored()
    }

    /// Called once the library holds nothing back any more: the answer has left.
    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        let flushed = Pin::new(&mut self.stream).poll_flush(context);
        if flushed.is_ready() {
            self.waiting = None;
            return flushed;
        }
        self.within_time(context, flushed)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(context)
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use tokio::io::{AsyncReadExt, AsyncWriteExt, duplex};

    use super::*;

    #[tokio::test(start_paused = true)]
    async fn a_reader_that_trickles_is_given_up_however_steadily_it_reads() {
        let (near, mut far) = duplex(64);
        let mut near = Patient::new(near, Duration::from_secs(30));
        let trickle = tokio::spawn(async move {
            let mut byte = [0];
            while far.read(&mut byte).await.is_ok_and(|count| count > 0) {
                sleep(Duration::from_secs(1)).await;
            }
        });
        let outcome = near.write_all(&[0; 1000]).await;
        assert_eq!(outcome.unwrap_err().kind(), io::ErrorKind::TimedOut);
        drop(near);
        trickle.await.unwrap();
    }

    #[tokio::test(start_paused = true)]
    async fn each_answer_has_its_own_time() {
        let (near, mut far) = duplex(64);
        let mut near = Patient::new(near, Duration::from_secs(30));
        let reader = tokio::spawn(async move {
            let mut chunk = [0; 100];
            while far.read_exact(&mut chunk).await.is_ok() {
                sleep(Duration::from_secs(20)).await;
            }
        });
        for _ in 0..10 {
            near.write_all(&[0; 100]).await.unwrap();
            near.flush().await.unwrap();
        }
        drop(near);
        reader.await.unwrap();
    }
}
