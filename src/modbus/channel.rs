//! One open port, shared between a line and the protocol library's client of the moment.
//!
//! The library's client owns its transport and never gives it back; what it owns here is a
//! [`Handle`], and the port survives it. Reading goes through a [`Sieve`] that passes the answer
//! and nothing else. Flushing does nothing: on a serial port the library's flush would wait on
//! the thread until the last bit has left.

use std::fmt;
use std::future::poll_fn;
use std::io;
use std::pin::Pin;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::task::{Context, Poll, ready};

use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::time::Instant;

use crate::modbus::port::Io;
use crate::modbus::timing::Timing;

/// The most bytes taken from the port at once.
const READ_BYTES: usize = 256;

/// Of all bytes that arrive, passes the answer to the question.
pub(super) trait Sieve: Send + 'static {
    /// Takes what arrived; returns the answer's bytes once it is there.
    fn push(&mut self, arrived: &[u8]) -> Option<Vec<u8>>;

    /// The line has fallen silent: returns the answer's bytes, if that was wanting to be certain of it.
    fn fall_silent(&mut self) -> Option<Vec<u8>> {
        None
    }

    /// What is to be sent in place of the library's `bytes`, where that is something else.
    fn instead_of(&mut self, _bytes: &[u8]) -> Option<Vec<u8>> {
        None
    }
}

/// An open port with what is known of its traffic.
pub(super) struct Channel<S> {
    io: Box<dyn Io>,
    timing: Timing,
    /// Judges what arrives.
    pub sieve: S,
    /// The last moment at which a character was on the wire, ours included.
    pub active_at: Instant,
    /// When the answer's last byte arrived.
    pub answered_at: Option<Instant>,
    /// Why the port is no longer there.
    pub gone: Option<String>,
    /// The answer's bytes that the library has not taken yet.
    passed: Vec<u8>,
}

/// A way to the channel, cheap to clone.
pub(super) struct Handle<S>(Arc<Mutex<Channel<S>>>);

impl<S> Clone for Handle<S> {
    fn clone(&self) -> Self {
        Handle(Arc::clone(&self.0))
    }
}

/// The library asks for this; what is in the channel is nobody's to print.
impl<S> fmt::Debug for Handle<S> {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str("Handle")
    }
}

impl<S: Sieve> Handle<S> {
    /// A channel over an open port.
    pub fn new(io: impl Io + 'static, timing: Timing, sieve: S) -> Self {
        Handle(Arc::new(Mutex::new(Channel {
            io: Box::new(io),
            timing,
            sieve,
            active_at: Instant::now(),
            answered_at: None,
            gone: None,
            passed: Vec::new(),
        })))
    }

    /// The channel itself. Not to be held across an await.
    pub fn channel(&self) -> MutexGuard<'_, Channel<S>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Takes what arrives until `enough`; returns why the port is gone, if it goes meanwhile.
    pub async fn receive_until(&self, enough: impl Fn(&S) -> bool) -> Result<(), String> {
        let received = poll_fn(|cx| {
            let mut channel = self.channel();
            while !enough(&channel.sieve) {
                ready!(channel.poll_receive(cx)).map_err(|error| error.to_string())?;
            }
            Poll::Ready(Ok(()))
        });
        received.await
    }

    /// Takes whatever has arrived so far; returns how many bytes, or why the port is gone.
    pub async fn drain(&self) -> Result<usize, String> {
        let taken = poll_fn(|cx| {
            let mut channel = self.channel();
            let mut taken = 0;
            while let Poll::Ready(received) = channel.poll_receive(cx) {
                match received {
                    Ok(count) => taken += count,
                    Err(error) => return Poll::Ready(Err(error.to_string())),
                }
            }
            channel.passed.clear();
            Poll::Ready(Ok(taken))
        });
        taken.await
    }
}

impl<S: Sieve> Channel<S> {
    fn poll_receive(&mut self, cx: &mut Context<'_>) -> Poll<io::Result<usize>> {
        let mut bytes = [0; READ_BYTES];
        let mut arrived = ReadBuf::new(&mut bytes);
        let received = match ready!(Pin::new(&mut self.io).poll_read(cx, &mut arrived)) {
            Ok(()) if arrived.filled().is_empty() => Err(io::Error::other("closed by the other side")),
            Ok(()) => Ok(arrived.filled()),
            Err(error) => Err(error),
        };
        Poll::Ready(match received {
            Ok(arrived) => {
                self.active_at = self.active_at.max(Instant::now());
                if let Some(answer) = self.sieve.push(arrived) {
                    self.pass(answer, Instant::now());
                }
                Ok(arrived.len())
            }
            Err(error) => Err(self.lose(error)),
        })
    }

    fn poll_send(&mut self, cx: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        let instead = self.sieve.instead_of(bytes);
        match ready!(Pin::new(&mut self.io).poll_write(cx, instead.as_deref().unwrap_or(bytes))) {
            Ok(count) => {
                let on_the_wire = self.timing.characters(u32::try_from(count).unwrap_or(u32::MAX));
                self.active_at = self.active_at.max(Instant::now()) + on_the_wire;
                Poll::Ready(Ok(count))
            }
            Err(error) => Poll::Ready(Err(self.lose(error))),
        }
    }

    /// The line has been silent since `active_at`, for as long as it was waited for; returns whether
    /// there is an answer for the library after all.
    pub fn fall_silent(&mut self) -> bool {
        let answer = self.sieve.fall_silent();
        answer.map(|answer| self.pass(answer, self.active_at)).is_some()
    }

    fn pass(&mut self, answer: Vec<u8>, at: Instant) {
        self.passed = answer;
        self.answered_at = Some(at);
    }

    fn lose(&mut self, error: io::Error) -> io::Error {
        self.gone = Some(error.to_string());
        error
    }
}

impl<S: Sieve> AsyncRead for Handle<S> {
    fn poll_read(self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        let mut channel = self.channel();
        while channel.passed.is_empty() {
            ready!(channel.poll_receive(cx))?;
        }
        let count = channel.passed.len().min(buf.remaining());
        buf.put_slice(channel.passed.drain(..count).as_slice());
        Poll::Ready(Ok(()))
    }
}

impl<S: Sieve> AsyncWrite for Handle<S> {
    fn poll_write(self: Pin<&mut Self>, cx: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        self.channel().poll_send(cx, bytes)
    }

    fn poll_flush(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }

    fn poll_shutdown(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }
}
