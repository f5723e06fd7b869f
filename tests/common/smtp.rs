//! A small mail server that speaks enough of RFC 5321 for a real client: EHLO, STARTTLS (RFC 3207), AUTH PLAIN
//! (RFC 4616), MAIL, RCPT, DATA, QUIT. Not a mock: the client's own TLS, certificate check and dialogue run against it.
#![allow(dead_code, reason = "each test file uses its part")]

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::process::Command;
use std::sync::{Arc, Mutex};

use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};

/// A mail as it came.
#[derive(Clone, Debug)]
pub struct Received {
    pub encrypted: bool,
    /// What AUTH PLAIN brought, still in base64.
    pub login: Option<String>,
    pub to: Vec<String>,
    pub data: String,
}

/// The server.
pub struct MailServer {
    pub port: u16,
    received: Arc<Mutex<Vec<Received>>>,
}

/// How it behaves.
#[derive(Clone)]
pub struct Manners {
    /// Certificate and key, PEM, where it offers STARTTLS.
    pub tls: Option<Arc<rustls::ServerConfig>>,
    /// The base64 of AUTH PLAIN that it takes; it demands one then.
    pub login: Option<String>,
}

impl MailServer {
    pub fn start(manners: Manners) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = listener.local_addr().unwrap().port();
        let received: Arc<Mutex<Vec<Received>>> = Arc::default();
        let list = Arc::clone(&received);
        std::thread::spawn(move || {
            for stream in listener.incoming().map_while(Result::ok) {
                let (manners, list) = (manners.clone(), Arc::clone(&list));
                std::thread::spawn(move || converse(stream, &manners, &list));
            }
        });
        Self { port, received }
    }

    pub fn received(&self) -> Vec<Received> {
        self.received.lock().unwrap().clone()
    }
}

/// An authority `ca.pem` and a certificate for `localhost` by it, made by openssl in a directory.
pub fn certificates(dir: &Path) -> Arc<rustls::ServerConfig> {
    let openssl = |arguments: &str| {
        let made = Command::new("openssl").args(arguments.split(' ')).current_dir(dir).output().unwrap();
        assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
    };
    openssl("req -x509 -newkey rsa:2048 -nodes -days 2 -subj /CN=invented-authority -keyout ca.key -out ca.pem");
    openssl("req -newkey rsa:2048 -nodes -subj /CN=localhost -keyout server.key -out server.csr");
    std::fs::write(dir.join("names"), "subjectAltName=DNS:localhost,IP:127.0.0.1\n").unwrap();
    openssl("x509 -req -in server.csr -CA ca.pem -CAkey ca.key -CAcreateserial -days 2 -extfile names -out server.pem");
    let chain = CertificateDer::pem_file_iter(dir.join("server.pem")).unwrap().map(Result::unwrap).collect();
    let key = PrivateKeyDer::from_pem_file(dir.join("server.key")).unwrap();
    let config = rustls::ServerConfig::builder_with_provider(Arc::new(rustls::crypto::ring::default_provider()))
        .with_safe_default_protocol_versions()
        .unwrap()
        .with_no_client_auth()
        .with_single_cert(chain, key)
        .unwrap();
    Arc::new(config)
}

fn converse(mut stream: TcpStream, manners: &Manners, list: &Mutex<Vec<Received>>) {
    let _ = stream.write_all(b"220 mail.invalid ESMTP\r\n");
    if let Some(Next::StartTls) = dialogue(stream.try_clone().unwrap(), manners, false, list)
        && let Some(tls) = &manners.tls
    {
        let connection = rustls::ServerConnection::new(Arc::clone(tls)).unwrap();
        dialogue(rustls::StreamOwned::new(connection, stream), manners, true, list);
    }
}

enum Next {
    StartTls,
}

fn dialogue(
    stream: impl Read + Write,
    manners: &Manners,
    encrypted: bool,
    list: &Mutex<Vec<Received>>,
) -> Option<Next> {
    let mut reader = BufReader::new(stream);
    let mut mail = Received { encrypted, login: None, to: Vec::new(), data: String::new() };
    loop {
        let mut line = String::new();
        if reader.read_line(&mut line).ok()? == 0 {
            return None;
        }
        let line = line.trim_end().to_owned();
        let verb = line.split([' ', ':']).next().unwrap_or_default().to_ascii_uppercase();
        let answer = match verb.as_str() {
            "EHLO" => {
                let starttls = if manners.tls.is_some() && !encrypted { "250-STARTTLS\r\n" } else { "" };
                format!("250-mail.invalid\r\n{starttls}250-AUTH PLAIN\r\n250 8BITMIME\r\n")
            }
            "STARTTLS" => {
                reader.get_mut().write_all(b"220 go ahead\r\n").ok()?;
                reader.get_mut().flush().ok()?;
                return Some(Next::StartTls);
            }
            "AUTH" => {
                let given = line.rsplit(' ').next().unwrap_or_default().to_owned();
                let good = manners.login.as_ref().is_none_or(|login| *login == given);
                mail.login = Some(given);
                if good { "235 welcome\r\n".to_owned() } else { "535 5.7.8 not that one\r\n".to_owned() }
            }
            "MAIL" if manners.login.is_some() && mail.login.is_none() => "530 5.7.0 who are you\r\n".to_owned(),
            "RCPT" => {
                mail.to.push(line.clone());
                "250 ok\r\n".to_owned()
            }
            "DATA" => {
                reader.get_mut().write_all(b"354 go on\r\n").ok()?;
                reader.get_mut().flush().ok()?;
                loop {
                    let mut line = String::new();
                    reader.read_line(&mut line).ok()?;
                    if line == ".\r\n" {
                        break;
                    }
                    mail.data.push_str(&line);
                }
                list.lock().unwrap().push(mail.clone());
                "250 2.0.0 queued as 77\r\n".to_owned()
            }
            "QUIT" => {
                let _ = reader.get_mut().write_all(b"221 bye\r\n");
                let _ = reader.get_mut().flush();
                return None;
            }
            _ => "250 ok\r\n".to_owned(),
        };
        reader.get_mut().write_all(answer.as_bytes()).ok()?;
        reader.get_mut().flush().ok()?;
    }
}
