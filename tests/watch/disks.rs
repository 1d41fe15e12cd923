//! Disks that are full, read-only or gone, with real mounts: needs root, run by name as in `proofs`.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

use crate::helpers::contents;
use crate::proofs::copy_tree;
use crate::shop::Shop;

/// A file system of its own for one folder; gone with the test.
struct Mount(PathBuf);

impl Mount {
    fn new(at: &Path, words: &[&str]) -> Self {
        mount(at, words);
        Self(at.to_owned())
    }
}

fn mount(at: &Path, words: &[&str]) {
    let status = Command::new("mount").args(words).arg(at).status();
    assert!(status.unwrap().success(), "run as root");
}

fn unmount(at: &Path) {
    let _ = Command::new("umount").arg("-l").arg(at).status();
}

impl Drop for Mount {
    fn drop(&mut self) {
        unmount(&self.0);
    }
}

/// A message that `status.json` tells while the daemon waits.
fn wait_for_message(shop: &Shop, part: &str) {
    shop.wait_for(part, 40, || {
        shop.status()["waiting_for"]
            .as_str()
            .is_some_and(|why| why.contains(part))
    });
}

fn same_as_run(shop: &Shop, name: &str, number: u32) {
    let other = crate::helpers::Bench::new();
    shop.run(&other, &shop.job(name, number));
    let published = contents(&shop.bench.path("outbox").join(name));
    assert!(
        published == contents(&other.outbox().join(name)),
        "{name} differs"
    );
    shop.wait_for("working", 30, || shop.status()["waiting_for"].is_null());
}

#[test]
#[ignore = "needs root, for mounting"]
fn disks_that_are_full_read_only_or_gone_are_waited_for() {
    let mut shop = Shop::new(&[("retry_seconds", "1"), ("job_max_mb", "4000")]);
    let tmpfs = ["-t", "tmpfs", "-o", "size=4m", "tmpfs"];
    let (inbox, outbox) = (shop.bench.path("inbox"), shop.bench.path("outbox"));
    let _outbox = Mount::new(&outbox, &tmpfs);
    let share = shop.bench.path("share");
    fs::create_dir(&share).unwrap();
    let _share = Mount::new(&share, &tmpfs);
    let _inbox = Mount::new(&inbox, &["--bind", share.to_str().unwrap()]);
    shop.start();
    shop.wait_for("status", 20, || {
        shop.bench.path("state/status.json").exists()
    });
    let put = |shop: &Shop, name: &str, number: u32| {
        copy_tree(&shop.job(name, number), &share.join(name));
        fs::remove_dir_all(shop.bench.path("desk").join(name)).unwrap();
    };

    let ballast = outbox.join("ballast");
    let _ = fs::write(&ballast, vec![1; 5_000_000]);
    put(&shop, "full", 1);
    wait_for_message(&shop, "No space left");
    assert!(!outbox.join("full").exists());
    fs::remove_file(&ballast).unwrap();
    shop.wait_for("full", 30, || outbox.join("full").is_dir());
    same_as_run(&shop, "full", 1);
    println!("full outbox: waited for, then published");

    mount(&outbox, &["-o", "remount,ro"]);
    put(&shop, "read-only", 2);
    wait_for_message(&shop, "cannot be written to");
    mount(&outbox, &["-o", "remount,rw"]);
    shop.wait_for("read-only", 30, || outbox.join("read-only").is_dir());
    same_as_run(&shop, "read-only", 2);
    println!("read-only outbox: waited for, then published");

    put(&shop, "gone", 3);
    unmount(&inbox);
    wait_for_message(&shop, "is its share mounted?");
    mount(&inbox, &["--bind", share.to_str().unwrap()]);
    shop.wait_for("gone", 30, || outbox.join("gone").is_dir());
    same_as_run(&shop, "gone", 3);
    println!("inbox unmounted and back: waited for, then published");

    shop.stop();
    full_state_folder(&mut shop);
    assert_eq!(shop.published(), ["full", "gone", "read-only", "state"]);
    assert_eq!(shop.logged(), shop.published());
}

/// The disk with the spool is full while a job arrives.
fn full_state_folder(shop: &mut Shop) {
    let state = shop.bench.path("state");
    let _state = Mount::new(&state, &["-t", "tmpfs", "-o", "size=1m", "tmpfs"]);
    shop.start();
    shop.wait_for("status", 20, || state.join("status.json").exists());
    let _ = fs::write(state.join("ballast"), vec![1; 2_000_000]);
    copy_tree(&shop.job("state", 4), &shop.inbox("state"));
    fs::remove_dir_all(shop.bench.path("desk/state")).unwrap();
    std::thread::sleep(Duration::from_secs(8));
    assert!(!shop.bench.path("outbox/state").exists());
    assert!(shop.daemon.as_mut().unwrap().try_wait().unwrap().is_none());
    fs::remove_file(state.join("ballast")).unwrap();
    shop.wait_for("state", 60, || shop.bench.path("outbox/state").is_dir());
    same_as_run(shop, "state", 4);
    shop.stop();
    println!("full state folder: waited for, then published");
}
