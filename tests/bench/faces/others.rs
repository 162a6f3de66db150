//! Other people's servers, each as a process of its own: what the least that axum can do costs, and
//! tokio-modbus' own Modbus TCP server.

use std::future;
use std::io::Read;

use axum::Router;
use axum::routing::get;
use hyper::server::conn::http1;
use hyper_util::rt::TokioIo;
use hyper_util::service::TowerToHyperService;
use tokio::net::TcpListener;
use tokio_modbus::server::Service;
use tokio_modbus::server::tcp::{Server, accept_tcp_connection};
use tokio_modbus::{ExceptionCode, Request, Response};

/// The argument that makes this program axum's least.
pub const HELLO: &str = "hello";
/// The argument that makes this program a Modbus TCP server.
pub const MODBUS: &str = "modbus";

/// As long as the status of 48 signals is.
const LONG_BYTES: usize = 24 * 1024;

fn end_with_standard_input() {
    std::thread::spawn(|| {
        let _ = std::io::stdin().read(&mut [0]);
        std::process::exit(0);
    });
}

/// Axum over hyper, as siskin has them, with nothing between: `/` says hello, `/long` as much as a status.
pub fn hello() {
    end_with_standard_input();
    let long = || async { vec![b'x'; LONG_BYTES] };
    let router = Router::new().route("/", get(|| async { "Hello, world!" })).route("/long", get(long));
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap();
    runtime.block_on(async {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        println!("{}", listener.local_addr().unwrap());
        loop {
            let (stream, _) = listener.accept().await.unwrap();
            let service = TowerToHyperService::new(router.clone());
            tokio::spawn(http1::Builder::new().serve_connection(TokioIo::new(stream), service));
        }
    });
}

struct Still;

impl Service for Still {
    type Request = Request<'static>;
    type Response = Response;
    type Exception = ExceptionCode;
    type Future = future::Ready<Result<Response, ExceptionCode>>;

    fn call(&self, request: Self::Request) -> Self::Future {
        #[expect(clippy::wildcard_enum_match_arm, reason = "the one question that is asked here")]
        future::ready(match request {
            Request::ReadInputRegisters(_, count) => {
                Ok(Response::ReadInputRegisters(vec![7; usize::from(count)]))
            }
            _ => Err(ExceptionCode::IllegalFunction),
        })
    }
}

/// A server whose registers stand still.
pub fn modbus() {
    end_with_standard_input();
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap();
    runtime.block_on(async {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        println!("{}", listener.local_addr().unwrap());
        let server = Server::new(listener);
        let connected =
            |stream, address| async move { accept_tcp_connection(stream, address, |_| Ok(Some(Still))) };
        server.serve(&connected, |_| ()).await.unwrap();
    });
}
