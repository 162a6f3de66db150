//! Who is at the other end of a connection: the operating system's word for it.
//!
//! The kernel notes the user of a process when it connects (`SO_PEERCRED`), and no message can change
//! that. The user's name is looked up in `/etc/passwd` alone: other directories of users (LDAP and the
//! like) could make an operator wait for a server that is not there. A user it does not hold is
//! `uid 1000`.

use std::path::Path;

/// The name of the user with this id, or `uid N`.
pub(super) async fn user_name(uid: u32) -> String {
    user_name_in(Path::new("/etc/passwd"), uid).await
}

async fn user_name_in(passwd: &Path, uid: u32) -> String {
    name_or_uid(&tokio::fs::read_to_string(passwd).await.unwrap_or_default(), uid)
}

/// The name of the user with this id in a text as in `passwd(5)`, or `uid N`.
pub fn name_or_uid(users: &str, uid: u32) -> String {
    name_of(users, uid).map_or_else(|| format!("uid {uid}"), str::to_owned)
}

/// A line of `passwd(5)` is `name:password:uid:gid:comment:home:shell`.
fn name_of(users: &str, uid: u32) -> Option<&str> {
    users.lines().find_map(|line| {
        let mut fields = line.split(':');
        let name = fields.next()?;
        let its_uid: u32 = fields.nth(1)?.parse().ok()?;
        (its_uid == uid && !name.is_empty()).then_some(name)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_user_is_found_by_its_id_and_nothing_else() {
        let users = "root:x:0:0:root:/root:/bin/sh\n\nbroken\noperator:x:1000:7:Gas, control:/home:/bin/sh\n";
        assert_eq!(name_of(users, 0), Some("root"));
        assert_eq!(name_of(users, 1000), Some("operator"));
        assert_eq!(name_of(users, 7), None);
    }

    #[tokio::test]
    async fn a_user_without_a_name_is_called_by_its_id() {
        assert_eq!(user_name_in(Path::new("/nonexistent"), 1000).await, "uid 1000");
    }
}
