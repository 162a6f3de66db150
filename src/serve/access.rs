//! Who may read over HTTP, and by which certificate it is encrypted: out of the files that the site names.
//!
//! Both are off unless the site asks for them. A token is sent as a bearer token (RFC 6750, section 2.1)
//! by programs, and as the password of HTTP Basic (RFC 7617) by browsers, which know no other way. It lets
//! its bearer read, and nothing else: nothing here can change anything. What keeps TLS is rustls.

use std::fmt;
use std::fs::File;
use std::io::Read;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use axum::http::{HeaderMap, header};
use sha2::{Digest, Sha256};
use tokio_rustls::rustls::ServerConfig;
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::pki_types::pem::PemObject;
use tokio_rustls::rustls::pki_types::{CertificateDer, PrivateKeyDer};

/// The longest of these files that is read, in bytes.
const FILE_BYTES_MAX: u64 = 256 * 1024;
/// The most tokens.
pub const TOKENS_MAX: usize = 64;
/// The shortest and the longest token, in characters: 22 of base64 are 128 bits.
pub const TOKEN_CHARS_MIN: usize = 22;
/// The longest.
pub const TOKEN_CHARS_MAX: usize = 256;
/// What others may not do with a secret file: read it; and nobody but its owner may write it.
const OTHERS: u32 = 0o027;

/// The challenge to whoever comes without a token (RFC 9110, section 11.6.1).
pub(super) const CHALLENGES: [&str; 2] = [
    "Bearer realm=\"siskin\"",
    "Basic realm=\"siskin: any name, and a token as the password\", charset=\"UTF-8\"",
];

/// The files that say who may read.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct AccessFiles {
    /// The certificate with its chain, and its key, both PEM.
    pub certificate: Option<(PathBuf, PathBuf)>,
    /// The tokens, one a line.
    pub tokens: Option<PathBuf>,
}

/// Who may read, and how it is encrypted.
#[derive(Debug, Clone, Default)]
pub struct Access {
    pub(super) tls: Option<Arc<ServerConfig>>,
    tokens: Option<Tokens>,
}

/// SHA-256 of every token that is taken: how long a comparison takes tells nothing of the token then.
#[derive(Clone)]
struct Tokens(Arc<[[u8; 32]]>);

impl fmt::Debug for Tokens {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "{} tokens", self.0.len())
    }
}

/// Why the files are of no use.
#[derive(Debug, thiserror::Error)]
#[error("{}: {what}", path.display())]
pub struct AccessError {
    /// Which file.
    pub path: PathBuf,
    /// What is wrong, and what to do.
    pub what: String,
    /// Whether it was there and is wrong, rather than out of reach.
    pub is_content: bool,
}

impl Access {
    /// What `files` say.
    ///
    /// # Errors
    /// When a file cannot be read, others could read a secret, or it does not hold what it should.
    pub fn read(files: &AccessFiles) -> Result<Access, AccessError> {
        Ok(Access {
            tls: files.certificate.as_ref().map(|(chain, key)| tls(chain, key)).transpose()?,
            tokens: files.tokens.as_deref().map(tokens).transpose()?,
        })
    }

    /// Whether a request with these headers is let in.
    pub(super) fn lets_in(&self, headers: &HeaderMap) -> bool {
        let Some(Tokens(taken)) = &self.tokens else { return true };
        let Some(given) = token_in(headers) else { return false };
        let given = Sha256::digest(given);
        // Each is looked at, and each byte of it, whatever has been found by then.
        taken.iter().fold(false, |found, token| found | is_same(token, &given))
    }
}

fn is_same(one: &[u8], other: &[u8]) -> bool {
    one.len() == other.len()
        && one.iter().zip(other).fold(0, |unlike, (one, other)| unlike | (one ^ other)) == 0
}

/// The token that a request bears. Two headers of that name bear none.
fn token_in(headers: &HeaderMap) -> Option<Vec<u8>> {
    let mut given = headers.get_all(header::AUTHORIZATION).iter();
    let (Some(given), None) = (given.next(), given.next()) else { return None };
    let (scheme, credentials) = given.to_str().ok()?.split_once(' ')?;
    let credentials = credentials.trim();
    if scheme.eq_ignore_ascii_case("bearer") {
        return Some(credentials.as_bytes().to_vec());
    }
    if !scheme.eq_ignore_ascii_case("basic") {
        return None;
    }
    let pair = base64(credentials)?;
    let colon = pair.iter().position(|byte| *byte == b':')?;
    Some(pair[colon + 1..].to_vec())
}

/// RFC 4648, section 4.
fn base64(text: &str) -> Option<Vec<u8>> {
    let digits = text.trim_end_matches('=');
    if !text.len().is_multiple_of(4) || text.len() - digits.len() > 2 {
        return None;
    }
    let (mut bytes, mut held, mut bits) = (Vec::new(), 0_u32, 0_u32);
    for digit in digits.bytes() {
        let value = match digit {
            b'A'..=b'Z' => digit - b'A',
            b'a'..=b'z' => digit - b'a' + 26,
            b'0'..=b'9' => digit - b'0' + 52,
            b'+' => 62,
            b'/' => 63,
            _ => return None,
        };
        held = (held << 6 | u32::from(value)) & 0xFFFF;
        bits += 6;
        if bits >= 8 {
            bits -= 8;
            bytes.push(u8::try_from(held >> bits & 0xFF).unwrap_or(0));
        }
    }
    Some(bytes)
}

fn tokens(path: &Path) -> Result<Tokens, AccessError> {
    let wrong = |what: String| AccessError { path: path.to_owned(), what, is_content: true };
    let text = String::from_utf8(read(path, true)?).map_err(|_| wrong("is no text".to_owned()))?;
    let mut digests = Vec::new();
    for (number, line) in (1..).zip(text.lines()) {
        let token = line.trim();
        if token.is_empty() || token.starts_with('#') {
            continue;
        }
        let allowed = |letter: char| letter.is_ascii_alphanumeric() || "-._~+/=".contains(letter);
        if !(TOKEN_CHARS_MIN..=TOKEN_CHARS_MAX).contains(&token.len()) || !token.chars().all(allowed) {
            let chars = format!("{TOKEN_CHARS_MIN} to {TOKEN_CHARS_MAX} of A-Z a-z 0-9 - . _ ~ + / =");
            return Err(wrong(format!(
                "line {number} is no token: {chars}; make one with `openssl rand -hex 32`"
            )));
        }
        digests.push(Sha256::digest(token).into());
    }
    match digests.len() {
        0 => Err(wrong(
            "holds no token: nobody could read anything; make one with `openssl rand -hex 32`".to_owned(),
        )),
        count if count > TOKENS_MAX => Err(wrong(format!("holds {count} tokens; {TOKENS_MAX} are the most"))),
        _ => Ok(Tokens(digests.into())),
    }
}

fn tls(chain: &Path, key: &Path) -> Result<Arc<ServerConfig>, AccessError> {
    let wrong = |path: &Path, what: String| AccessError { path: path.to_owned(), what, is_content: true };
    let certificates: Vec<CertificateDer<'static>> = CertificateDer::pem_slice_iter(&read(chain, false)?)
        .collect::<Result<_, _>>()
        .map_err(|error| wrong(chain, format!("is no PEM: {error}")))?;
    if certificates.is_empty() {
        return Err(wrong(chain, "holds no certificate (PEM, `-----BEGIN CERTIFICATE-----`)".to_owned()));
    }
    let private = PrivateKeyDer::from_pem_slice(&read(key, true)?)
        .map_err(|error| wrong(key, format!("holds no private key (PEM): {error}")))?;
    let mut config = ServerConfig::builder_with_provider(Arc::new(ring::default_provider()))
        .with_safe_default_protocol_versions()
        .map_err(|error| wrong(chain, error.to_string()))?
        .with_no_client_auth()
        .with_single_cert(certificates, private)
        .map_err(|error| {
            wrong(key, format!("does not go with the certificate {}: {error}", chain.display()))
        })?;
    config.alpn_protocols = vec![b"http/1.1".to_vec()];
    Ok(Arc::new(config))
}

/// What a file holds; a secret one is refused where others could read it.
fn read(path: &Path, is_secret: bool) -> Result<Vec<u8>, AccessError> {
    let unreadable = |error: std::io::Error| AccessError {
        path: path.to_owned(),
        what: error.to_string(),
        is_content: false,
    };
    let file = File::open(path).map_err(unreadable)?;
    let mode = file.metadata().map_err(unreadable)?.mode() & 0o777;
    if is_secret && mode & OTHERS != 0 {
        let what =
            format!("others could read or write it (mode {mode:04o}): `chmod 640`, owner root, group siskin");
        return Err(AccessError { path: path.to_owned(), what, is_content: true });
    }
    let mut bytes = Vec::new();
    file.take(FILE_BYTES_MAX).read_to_end(&mut bytes).map_err(unreadable)?;
    Ok(bytes)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use std::fs::Permissions;
    use std::os::unix::fs::PermissionsExt;

    use super::*;

    const TOKEN: &str = "0123456789abcdefABCDEF";

    /// The test vectors of RFC 4648, section 10; and one with a byte above 127.
    #[test]
    fn base64_reads_the_vectors_of_its_standard() {
        for (text, bytes) in [
            ("", ""),
            ("Zg==", "f"),
            ("Zm8=", "fo"),
            ("Zm9v", "foo"),
            ("Zm9vYg==", "foob"),
            ("Zm9vYmE=", "fooba"),
            ("Zm9vYmFy", "foobar"),
            ("w7w/", "ü?"),
        ] {
            assert_eq!(base64(text).unwrap(), bytes.as_bytes(), "{text}");
        }
        for wrong in ["Zg", "Zg=", "Z===", "Zm9v!mFy", "Zm 9"] {
            assert_eq!(base64(wrong), None, "{wrong}");
        }
    }

    fn written(text: &str, mode: u32) -> (tempfile::TempDir, AccessFiles) {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("tokens");
        std::fs::write(&path, text).unwrap();
        std::fs::set_permissions(&path, Permissions::from_mode(mode)).unwrap();
        (dir, AccessFiles { tokens: Some(path), certificate: None })
    }

    fn asking(authorization: &[&str]) -> HeaderMap {
        let mut headers = HeaderMap::new();
        for given in authorization {
            headers.append(header::AUTHORIZATION, given.parse().unwrap());
        }
        headers
    }

    #[test]
    fn only_a_token_of_the_file_lets_in_as_bearer_or_as_a_password() {
        let (_dir, files) = written(&format!("# readers\n\n{TOKEN}\n  another-one-0123456789 \n"), 0o640);
        let access = Access::read(&files).unwrap();
        for right in [
            "Bearer 0123456789abcdefABCDEF",
            "bearer   another-one-0123456789",
            // RFC 7617, section 2: `anybody:0123456789abcdefABCDEF` in base64.
            "Basic YW55Ym9keTowMTIzNDU2Nzg5YWJjZGVmQUJDREVG",
        ] {
            assert!(access.lets_in(&asking(&[right])), "{right}");
        }
        for wrong in [
            "Bearer 0123456789abcdefABCDEf",
            "Bearer 0123456789abcdefABCDEF0",
            "Bearer ",
            "Bearer",
            "Digest 0123456789abcdefABCDEF",
            "Basic 0123456789abcdefABCDEF",
            "# readers",
        ] {
            assert!(!access.lets_in(&asking(&[wrong])), "{wrong}");
        }
        assert!(!access.lets_in(&asking(&[])));
        let bearer = format!("Bearer {TOKEN}");
        assert!(!access.lets_in(&asking(&[&bearer, &bearer])), "two headers");
        assert!(Access::default().lets_in(&asking(&[])), "no tokens: everybody reads");
        assert!(!format!("{access:?}").contains(TOKEN));
    }

    #[test]
    fn a_token_file_that_others_can_read_or_that_lets_nobody_in_is_refused() {
        let told = |text: &str, mode| {
            let (_dir, files) = written(text, mode);
            Access::read(&files).unwrap_err().to_string()
        };
        let good = format!("{TOKEN}\n");
        for mode in [0o644, 0o660, 0o602, 0o641] {
            assert!(told(&good, mode).contains("others could read or write it"), "{mode:o}");
        }
        assert!(told("# nobody\n", 0o600).contains("holds no token"));
        assert!(told(&format!("{TOKEN}\nshort\n"), 0o600).contains("line 2 is no token"));
        let many = format!("{TOKEN}\n").repeat(TOKENS_MAX + 1);
        assert!(told(&many, 0o600).contains("holds 65 tokens; 64 are the most"));
        let (_dir, files) = written(&format!("{TOKEN}\n").repeat(TOKENS_MAX), 0o400);
        assert!(Access::read(&files).is_ok());
    }
}
