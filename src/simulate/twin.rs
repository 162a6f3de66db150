//! The twin of a site file: the same site, its lines leading to simulated devices.
//!
//! Only what must differ is replaced, in place: the text keeps its comments and its order.

use std::net::SocketAddr;
use std::ops::Range;
use std::path::Path;

use serde::Deserialize;
use toml::Spanned;

use crate::simulate::BusPort;

/// What differs in the twin.
#[derive(Debug, Clone, Copy)]
pub struct Twin<'a> {
    /// Where each line leads, in the order of the site's lines.
    pub ports: &'a [BusPort],
    /// Where HTTP listens; `None` = as in the original.
    pub http: Option<SocketAddr>,
    /// Where SCADA masters are answered; `None` = as in the original.
    pub scada: Option<SocketAddr>,
    /// What the original's profile paths are relative to, as the twin may lie elsewhere.
    pub profiles_from: &'a Path,
}

impl Twin<'_> {
    /// The text of the twin of the site file `text`.
    ///
    /// # Errors
    /// When `text` is not the TOML of a site file.
    pub fn of(&self, text: &str) -> Result<String, toml::de::Error> {
        let site: SiteText = toml::from_str(text)?;
        let mut replaced: Vec<(Range<usize>, String)> = Vec::new();
        for (line, port) in site.line.iter().zip(self.ports) {
            let (leads, there) = match port {
                BusPort::Serial(path) => (&line.serial, path.display().to_string()),
                BusPort::Tcp(address) => (&line.tcp, address.to_string()),
            };
            replaced.extend(leads.as_ref().map(|leads| (leads.span(), there)));
        }
        for profile in site.device.iter().filter_map(|device| device.profile.as_ref()) {
            let path = self.profiles_from.join(profile.get_ref());
            replaced.push((profile.span(), path.display().to_string()));
        }
        for (face, address) in [(&site.http, self.http), (&site.scada, self.scada)] {
            let listen = face.as_ref().and_then(|face| face.listen.as_ref());
            replaced
                .extend(listen.zip(address).map(|(listen, address)| (listen.span(), address.to_string())));
        }
        replaced.sort_by_key(|(span, _)| std::cmp::Reverse(span.start));
        let mut twin = text.to_owned();
        for (span, value) in replaced {
            twin.replace_range(span, &toml::Value::String(value).to_string());
        }
        Ok(twin)
    }
}

/// Only the keys that the twin replaces.
#[derive(Deserialize)]
struct SiteText {
    http: Option<FaceText>,
    scada: Option<FaceText>,
    #[serde(default)]
    line: Vec<LineText>,
    #[serde(default)]
    device: Vec<DeviceText>,
}

#[derive(Deserialize)]
struct FaceText {
    listen: Option<Spanned<String>>,
}

#[derive(Deserialize)]
struct LineText {
    serial: Option<Spanned<String>>,
    tcp: Option<Spanned<String>>,
}

#[derive(Deserialize)]
struct DeviceText {
    profile: Option<Spanned<String>>,
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test may stop at the first thing that is not as it should be")]
mod tests {
    use super::*;

    #[test]
    fn only_what_must_differ_is_replaced() {
        let text = "# by hand\n[http]\nlisten = '127.0.0.1:8485'\n[scada]\nlisten = '127.0.0.1:1502'\n\
                    [[line]]\nid = 'a'  # east\nserial = \"/dev/ttyUSB0\" # the adapter\nbaud = 9600\n\
                    [[line]]\nid = 'b'\ntcp = '192.0.2.10:4001'\n\
                    [[device]]\nprofile = 'profiles/x.toml'\n[[device]]\nid = 'd'\n";
        let ports = [BusPort::Serial("/dev/pts/7".into()), BusPort::Tcp("127.0.0.1:5020".parse().unwrap())];
        let http = Some("127.0.0.1:0".parse().unwrap());
        let scada = Some("127.0.0.1:7".parse().unwrap());
        let twin = Twin { ports: &ports, http, scada, profiles_from: Path::new("/etc/siskin") };
        let expected = "# by hand\n[http]\nlisten = \"127.0.0.1:0\"\n[scada]\nlisten = \"127.0.0.1:7\"\n\
                    [[line]]\nid = 'a'  # east\nserial = \"/dev/pts/7\" # the adapter\nbaud = 9600\n\
                    [[line]]\nid = 'b'\ntcp = \"127.0.0.1:5020\"\n\
                    [[device]]\nprofile = \"/etc/siskin/profiles/x.toml\"\n[[device]]\nid = 'd'\n";
        assert_eq!(twin.of(text).unwrap(), expected);
    }
}
