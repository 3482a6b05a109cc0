//! Listening, and stopping.

use crate::books::Books;
use crate::guard::Hosts;
use std::future::Future;
use std::io;
use std::net::{Ipv4Addr, SocketAddr, TcpListener};
use std::sync::Arc;
use std::time::Duration;

/// How long open answers may take to finish after the desk was told to stop, before it leaves without them.
/// Own choice: longer than a ledger takes, short enough for a person who pressed Ctrl-C.
const FAREWELL: Duration = Duration::from_secs(2);

/// Why the desk cannot be served.
#[derive(Debug, thiserror::Error)]
pub enum ServeError {
    /// Something else listens there, perhaps another desk.
    #[error(
        "port {port} is in use, perhaps by another desk; close that, choose another port with --port, \
         or take any free one with --port 0"
    )]
    PortInUse {
        /// The port that was asked for.
        port: u16,
    },
    /// The system does not let this user listen there.
    #[error("this user may not listen on port {port}; choose one above 1023 with --port")]
    PortForbidden {
        /// The port that was asked for.
        port: u16,
    },
    /// Any other failure of the network.
    #[error("cannot listen on 127.0.0.1, port {port}: {source}")]
    Listen {
        /// The port that was asked for.
        port: u16,
        /// What the system said.
        source: io::Error,
    },
    /// The network or its threads failed while the desk was being served.
    #[error("the desk stopped: {0}")]
    Run(#[from] io::Error),
}

/// A desk that has its place on loopback, and is not served yet.
#[derive(Debug)]
pub struct Desk {
    listener: TcpListener,
    address: SocketAddr,
}

impl Desk {
    /// Takes `port` on 127.0.0.1; 0 takes any free one.
    ///
    /// # Errors
    /// [`ServeError::PortInUse`], [`ServeError::PortForbidden`] or [`ServeError::Listen`].
    pub fn open(port: u16) -> Result<Self, ServeError> {
        let failed = |source: io::Error| match source.kind() {
            io::ErrorKind::AddrInUse => ServeError::PortInUse { port },
            io::ErrorKind::PermissionDenied => ServeError::PortForbidden { port },
            _ => ServeError::Listen { port, source },
        };
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, port)).map_err(failed)?;
        listener.set_nonblocking(true).map_err(failed)?;
        let address = listener.local_addr().map_err(failed)?;
        Ok(Self { listener, address })
    }

    /// The port that was taken.
    #[must_use]
    pub fn port(&self) -> u16 {
        self.address.port()
    }

    /// Where a browser finds the desk, such as `http://127.0.0.1:8417/`.
    #[must_use]
    pub fn url(&self) -> String {
        format!("http://{}/", self.address)
    }

    /// Serves `books` until Ctrl-C, then lets open answers finish for two seconds.
    ///
    /// Brings its own threads; call it from ordinary code, not from within an async runtime.
    ///
    /// # Errors
    /// [`ServeError::Run`] when the threads or the network fail.
    pub fn serve<B: Books>(self, books: Arc<B>) -> Result<(), ServeError> {
        let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build()?;
        let result = runtime.block_on(self.serve_until(books, async {
            if tokio::signal::ctrl_c().await.is_err() {
                // Without the signal the desk runs until its process is ended.
                std::future::pending::<()>().await;
            }
        }));
        runtime.shutdown_timeout(FAREWELL);
        result
    }

    /// Serves `books` until `stop` is done.
    ///
    /// # Errors
    /// [`ServeError::Run`] when the network fails.
    pub async fn serve_until<B: Books>(
        self,
        books: Arc<B>,
        stop: impl Future<Output = ()> + Send + 'static,
    ) -> Result<(), ServeError> {
        let router = crate::router(books, Hosts::loopback(self.port()));
        let listener = tokio::net::TcpListener::from_std(self.listener)?;
        let (stopping, stopped) = tokio::sync::oneshot::channel();
        let serving = axum::serve(listener, router)
            .with_graceful_shutdown(async move {
                stop.await;
                let _ = stopping.send(());
            })
            .into_future();
        let farewell = async move {
            if stopped.await.is_err() {
                std::future::pending::<()>().await;
            }
            tokio::time::sleep(FAREWELL).await;
        };
        tokio::select! {
            result = serving => Ok(result?),
            () = farewell => Ok(()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn port_zero_takes_a_free_port_on_loopback() {
        let desk = Desk::open(0).unwrap();
        assert_ne!(desk.port(), 0);
        assert_eq!(desk.url(), format!("http://127.0.0.1:{}/", desk.port()));
    }

    #[test]
    fn a_port_in_use_is_said_with_what_to_do() {
        let first = Desk::open(0).unwrap();
        let error = Desk::open(first.port()).unwrap_err();
        assert!(matches!(error, ServeError::PortInUse { port } if port == first.port()), "{error:?}");
        let sentence = error.to_string();
        assert!(sentence.contains(&first.port().to_string()) && sentence.contains("--port"), "{sentence}");
    }
}
