//! HTTP with a certificate and tokens, read by a client that shares nothing with siskin: Python's own TLS.

use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use serde_json::Value;

use crate::bench::{CLEAN, set, site};
use crate::home::Home;
use crate::scripted_slave::{Framing, Slave};
use crate::skip::skip;

const TOKEN: &str = "a-token-for-the-tests-0123456789";
const OTHER: &str = "another-token-0123456789-9876543";

/// Puts a certificate for 127.0.0.1 and its key into `dir`; false where there is no openssl.
fn make_certificate(dir: &Path, name: &str) -> bool {
    let made = Command::new("openssl")
        .args(["req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"])
        .args(["-days", "2", "-subj", "/CN=siskin", "-addext", "subjectAltName=IP:127.0.0.1"])
        .args(["-keyout", &format!("{name}.key"), "-out", &format!("{name}.crt")])
        .current_dir(dir)
        .output();
    let Ok(made) = made else { return false };
    assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
    let key = dir.join(format!("{name}.key"));
    std::fs::set_permissions(key, std::fs::Permissions::from_mode(0o600)).unwrap();
    true
}

fn write_tokens(dir: &Path, tokens: &str, mode: u32) {
    let path = dir.join("tokens");
    std::fs::write(&path, tokens).unwrap();
    std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode)).unwrap();
}

/// What Python reads: the status code, or the kind of error.
fn python(home: &Home, scheme: &str, ca: &Path, authorization: &str) -> Value {
    let client = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/peers/read_secured.py");
    let url = format!("{scheme}://{}/api/v1/status", home.http());
    let read = Command::new("python3")
        .arg(client)
        .args([url.as_str(), ca.to_str().unwrap(), authorization])
        .output();
    let read = read.unwrap();
    assert!(read.status.success(), "{}", String::from_utf8_lossy(&read.stderr));
    serde_json::from_slice(&read.stdout).unwrap()
}

/// A home whose HTTP face asks for these.
fn home(slave: &Slave, http: &str) -> Home {
    let home = Home::new(&site(slave));
    let text = std::fs::read_to_string(home.site_file()).unwrap();
    std::fs::write(home.site_file(), text.replacen("[http]\n", &format!("[http]\n{http}"), 1)).unwrap();
    home
}

/// Looks again and again until it is so.
fn wait_until(what: &str, is_so: impl Fn() -> bool) {
    let began = Instant::now();
    while !is_so() {
        assert!(began.elapsed() < Duration::from_secs(60), "waited in vain: {what}");
        std::thread::sleep(Duration::from_millis(50));
    }
}

#[test]
fn only_who_has_a_token_reads_and_only_over_tls() {
    let slave = Slave::on_tcp(Framing::Rtu, Vec::new(), 1);
    set(&slave, CLEAN);
    let home = home(&slave, "certificate = \"own.crt\"\nkey = \"own.key\"\ntokens = \"tokens\"\n");
    let dir = home.site_file().parent().unwrap().to_owned();
    if Command::new("python3").arg("-V").output().is_err() || !make_certificate(&dir, "own") {
        return skip("reading over TLS", "there is no openssl or no python3");
    }
    make_certificate(&dir, "stranger");
    write_tokens(&dir, &format!("{TOKEN}\n"), 0o600);
    let daemon = home.start();
    let own = dir.join("own.crt");
    let right = format!("Bearer {TOKEN}");

    let read = python(&home, "https", &own, &right);
    assert_eq!((&read["status"], &read["site"]), (&200.into(), &"bench".into()), "{read}");
    assert!(["TLSv1.3", "TLSv1.2"].contains(&read["tls"].as_str().unwrap()), "{read}");
    let password = python(&home, "https", &own, &format!("password {TOKEN}"));
    assert_eq!(password["status"], 200, "{password}");
    let without = python(&home, "https", &own, "");
    assert_eq!(without["status"], 401);
    let challenges = without["challenges"].to_string();
    assert!(challenges.contains("Bearer realm") && challenges.contains("Basic realm"), "{without}");
    assert_eq!(python(&home, "https", &own, &format!("Bearer {OTHER}"))["status"], 401);
    // Whoever expects another certificate, or none at all, gets nothing.
    let stranger = python(&home, "https", &dir.join("stranger.crt"), &right);
    assert_eq!(stranger["error"], "SSLCertVerificationError", "{stranger}");
    assert!(python(&home, "http", &own, &right)["error"].is_string(), "it was read in the clear");

    // A new certificate and other tokens are taken at a reload.
    make_certificate(&dir, "own");
    write_tokens(&dir, &format!("{OTHER}\n"), 0o600);
    daemon.signal(rustix::process::Signal::HUP);
    let other = format!("Bearer {OTHER}");
    wait_until("the new token is taken", || python(&home, "https", &own, &other)["status"] == 200);
    assert_eq!(python(&home, "https", &own, &right)["status"], 401, "the old token is not");
    // What cannot be used changes nothing.
    write_tokens(&dir, &format!("{TOKEN}\n"), 0o644);
    daemon.signal(rustix::process::Signal::HUP);
    wait_until("it says so", || home.told().contains("tokens and certificate stay as they were"));
    assert_eq!(python(&home, "https", &own, &other)["status"], 200);
    assert!(daemon.stop().success());
}

#[test]
fn files_that_are_wrong_or_open_to_others_are_refused_by_check_and_by_the_daemon() {
    let slave = Slave::on_tcp(Framing::Rtu, Vec::new(), 1);
    let home = home(&slave, "tokens = \"tokens\"\n");
    let dir = home.site_file().parent().unwrap().to_owned();
    let both = |code: i32, words: &str| {
        for command in [["check"].as_slice(), &["run"]] {
            let ended = home.run(command);
            let told = String::from_utf8_lossy(&ended.stderr).into_owned();
            assert_eq!(ended.status.code(), Some(code), "{command:?}: {told}");
            assert!(told.contains(words), "{command:?}: {told}");
        }
    };
    both(3, "tokens: No such file or directory");
    write_tokens(&dir, &format!("{TOKEN}\n"), 0o644);
    both(2, "others could read or write it (mode 0644)");
    write_tokens(&dir, "secret\n", 0o600);
    both(2, "line 1 is no token");

    let text = std::fs::read_to_string(home.site_file()).unwrap();
    let with_certificate = "certificate = \"own.crt\"\nkey = \"own.key\"\n";
    std::fs::write(home.site_file(), text.replacen("tokens = \"tokens\"\n", with_certificate, 1)).unwrap();
    std::fs::write(dir.join("own.crt"), "no certificate\n").unwrap();
    both(2, "own.crt: holds no certificate");
}
