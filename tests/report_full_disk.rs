//! A disk that fills up while the report is written. The operating system's limit on the size of a file stands in for the full disk: it fails the same call. The
//! limit holds for a whole process, so this test has one of its own.
#![cfg(unix)]

#[path = "data/report/examples.rs"]
mod examples;

use shankline::report;
use std::collections::BTreeMap;
use std::path::Path;

fn contents(folder: &Path) -> BTreeMap<std::ffi::OsString, Vec<u8>> {
    std::fs::read_dir(folder)
        .unwrap()
        .map(|e| e.unwrap())
        .filter(|e| e.path().is_file())
        .map(|e| (e.file_name(), std::fs::read(e.path()).unwrap()))
        .collect()
}

#[test]
fn an_older_report_stays_whole() {
    let folder = tempfile::tempdir().unwrap();
    let still = examples::SUSPECTED.scene().draw();
    report::write(&examples::clear(), [Some(still.clone())].as_slice(), folder.path()).unwrap();
    let older = (contents(folder.path()), contents(&folder.path().join("stills")));

    // SAFETY: plain calls of the C library with a struct of our own; the limit is put back below.
    let before = unsafe {
        let mut limit = std::mem::zeroed::<libc::rlimit>();
        assert_eq!(libc::getrlimit(libc::RLIMIT_FSIZE, &mut limit), 0);
        libc::signal(libc::SIGXFSZ, libc::SIG_IGN);
        let small = libc::rlimit {
            rlim_cur: 200_000,
            rlim_max: limit.rlim_max,
        };
        assert_eq!(libc::setrlimit(libc::RLIMIT_FSIZE, &small), 0);
        limit
    };
    let result = report::write(&examples::suspected(), [Some(still)].as_slice(), folder.path());
    // SAFETY: as above.
    assert_eq!(unsafe { libc::setrlimit(libc::RLIMIT_FSIZE, &before) }, 0);

    let error = result.unwrap_err();
    assert_eq!(error.exit_code(), 1);
    assert!(error.to_string().contains("disk is full"), "{error}");
    assert_eq!((contents(folder.path()), contents(&folder.path().join("stills"))), older);
}
