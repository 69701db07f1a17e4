//! Clips on their way in: whole, in chunks, broken off, and those that are refused.

use std::path::PathBuf;
use std::time::{Duration, SystemTime};

use axum::body::Bytes;

use super::*;

fn sample_clip() -> Vec<u8> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-frames/cards.mp4");
    std::fs::read(path).unwrap()
}

/// A short clip of the tests of the reader.
fn short_clip() -> Vec<u8> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/clip/nasa_stream0.mp4");
    std::fs::read(path).unwrap()
}

/// A body of which a part arrives before the sender breaks off.
struct BreaksOff(Option<Bytes>);

impl hyper::body::Body for BreaksOff {
    type Data = Bytes;
    type Error = std::io::Error;

    fn poll_frame(
        mut self: std::pin::Pin<&mut Self>,
        _: &mut std::task::Context<'_>,
    ) -> std::task::Poll<Option<Result<hyper::body::Frame<Bytes>, Self::Error>>> {
        std::task::Poll::Ready(Some(match self.0.take() {
            Some(bytes) => Ok(hyper::body::Frame::data(bytes)),
            None => Err(std::io::Error::other("hung up")),
        }))
    }
}

impl TestBench {
    fn post_clip(&self, query: &str, body: impl Into<Body>) -> Response {
        let path = format!("/api/clips?{query}");
        let request = order(Method::POST, &path);
        self.ask(request.body(body.into()).unwrap())
    }

    fn begin(&self, name: &str, bytes: usize) -> String {
        let path = format!("/api/clips?name={name}&bytes={bytes}");
        let request = order(Method::POST, &path).header("content-length", "0");
        let response = self.ask(request.body(Body::empty()).unwrap());
        assert_eq!(response.status(), StatusCode::CREATED);
        json(response)["id"].as_str().unwrap().to_owned()
    }

    fn patch(&self, id: &str, range: &str, body: Body) -> Response {
        let request = order(Method::PATCH, &format!("/api/clips/{id}"));
        self.ask(request.header("content-range", range).body(body).unwrap())
    }

    fn offset(&self, id: &str) -> usize {
        let request = order(Method::HEAD, &format!("/api/clips/{id}"));
        let response = self.ask(request.body(Body::empty()).unwrap());
        assert_eq!(response.status(), StatusCode::OK);
        response.headers()["upload-offset"]
            .to_str()
            .unwrap()
            .parse()
            .unwrap()
    }

    fn arrived(&self) -> Vec<PathBuf> {
        let folder = self.folder.path().join("clips");
        let entries = std::fs::read_dir(folder).into_iter().flatten();
        entries.map(|entry| entry.unwrap().path()).collect()
    }

    /// Nothing may be left of what was refused.
    fn nothing_arrived(&self) {
        assert_eq!(self.arrived(), Vec::<PathBuf>::new());
        let arriving = self.folder.path().join(".hingewise-bench/arriving");
        assert_eq!(std::fs::read_dir(arriving).map_or(0, Iterator::count), 0);
    }
}

#[test]
fn a_clip_that_arrives_whole_is_kept_to_the_byte() {
    let bench = TestBench::with_sample();
    let clip = sample_clip();
    let filmed = SystemTime::UNIX_EPOCH + Duration::from_millis(1_700_000_000_123);
    let response = bench.post_clip(
        "name=../IMG%200042.mp4&changed_ms=1700000000123",
        clip.clone(),
    );
    assert_eq!(response.status(), StatusCode::CREATED);
    let about = json(response);
    let camera = bench.get_json("/api/cameras")[0]["id"].clone();
    assert_eq!(about["bytes"], clip.len());
    assert_eq!(
        (&about["width_px"], &about["height_px"]),
        (&1920.into(), &1080.into())
    );
    assert_eq!(about["codec"], "h264");
    assert_eq!(about["fits"], serde_json::json!([camera]));
    let kept = bench.folder.path().join("clips/IMG_0042.mp4");
    assert_eq!(std::fs::read(&kept).unwrap(), clip);
    assert_eq!(std::fs::metadata(kept).unwrap().modified().unwrap(), filmed);
    // A second clip of that name takes another.
    let again = json(bench.post_clip("name=IMG_0042.mp4", clip));
    assert_eq!(again["name"], "IMG_0042-2.mp4");
    assert_ne!(again["id"], about["id"]);
}

#[test]
fn an_upload_broken_off_anywhere_goes_on_to_the_same_bytes() {
    let bench = TestBench::with_sample();
    let clip = short_clip();
    let total = clip.len();
    let chunk = total.div_ceil(7);
    let id = bench.begin("a.mp4", total);
    let mut last = None;
    while last.is_none() {
        let first = bench.offset(&id);
        let end = (first + chunk).min(total);
        let range = format!("bytes {first}-{}/{total}", end - 1);
        // Every chunk breaks off in its middle, and goes on from where HEAD says.
        let middle = first + (end - first) / 2;
        let broken = BreaksOff(Some(Bytes::copy_from_slice(&clip[first..middle])));
        let response = bench.patch(&id, &range, Body::new(broken));
        assert_eq!(response.status(), StatusCode::REQUEST_TIMEOUT);
        assert_eq!(bench.offset(&id), middle);
        let range = format!("bytes {middle}-{}/{total}", end - 1);
        let response = bench.patch(&id, &range, clip[middle..end].to_vec().into());
        assert_eq!(response.status(), StatusCode::OK);
        let answer = json(response);
        last = answer.get("codec").map(|_| answer["id"].clone());
    }
    assert_eq!(last.unwrap(), id.as_str());
    assert_eq!(
        std::fs::read(bench.folder.path().join("clips/a.mp4")).unwrap(),
        clip
    );
    assert_eq!(bench.offset(&id), total);
}

#[test]
fn an_upload_goes_on_after_a_restart() {
    let bench = TestBench::with_sample();
    let clip = short_clip();
    let total = clip.len();
    let id = bench.begin("a.mp4", total);
    bench.patch(
        &id,
        &format!("bytes 0-999/{total}"),
        clip[..1000].to_vec().into(),
    );
    let again = TestBench {
        bench: Bench::open(bench.folder.path(), PORT).unwrap(),
        folder: bench.folder,
    };
    assert_eq!(again.offset(&id), 1000);
    let range = format!("bytes 1000-{}/{total}", total - 1);
    let response = again.patch(&id, &range, clip[1000..].to_vec().into());
    assert_eq!(json(response)["bytes"], total);
}

#[test]
fn a_clip_is_known_as_whole_after_a_kill_just_behind_its_move() {
    let bench = TestBench::with_sample();
    let clip = short_clip();
    let id = bench.begin("a.mp4", clip.len());
    let arriving = bench.folder.path().join(".hingewise-bench/arriving");
    std::fs::remove_file(arriving.join(format!("{id}.bytes"))).unwrap();
    std::fs::create_dir_all(bench.folder.path().join("clips")).unwrap();
    std::fs::write(bench.folder.path().join("clips/a.mp4"), &clip).unwrap();
    let again = TestBench {
        bench: Bench::open(bench.folder.path(), PORT).unwrap(),
        folder: bench.folder,
    };
    assert_eq!(again.offset(&id), clip.len());
    assert_eq!(std::fs::read_dir(arriving).unwrap().count(), 0);
}

#[test]
fn chunks_that_do_not_follow_or_do_not_fit_are_refused() {
    let bench = TestBench::new();
    let id = bench.begin("a.mp4", 1000);
    let status = |range: &str, bytes: usize| {
        bench
            .patch(&id, range, vec![7; bytes].into())
            .status()
            .as_u16()
    };
    assert_eq!(status("bytes 10-19/1000", 10), 409);
    assert_eq!(status("nonsense", 10), 400);
    assert_eq!(status("bytes 0-9/1000", 10), 200);
    assert_eq!(status("bytes 0-9/1000", 10), 409);
    // More than announced: what belongs to the chunk is kept, the rest is not.
    assert_eq!(status("bytes 10-19/1000", 30), 413);
    assert_eq!(bench.offset(&id), 20);
    assert_eq!(
        bench
            .patch("f0000000000000000", "bytes 0-9/10", vec![7; 10].into())
            .status(),
        404
    );
    assert_eq!(
        bench
            .patch("..%2f..%2fx", "bytes 0-9/10", vec![7; 10].into())
            .status(),
        404
    );
}

#[test]
fn too_large_a_clip_is_refused_before_it_is_sent() {
    let bench = TestBench::new();
    for query in [
        "name=a.mp4&bytes=4294967297",
        "name=a.mp4&bytes=18446744073709551615",
    ] {
        let request =
            order(Method::POST, &format!("/api/clips?{query}")).header("content-length", "0");
        assert_eq!(
            bench.ask(request.body(Body::empty()).unwrap()).status(),
            413,
            "{query}"
        );
    }
    let announced =
        order(Method::POST, "/api/clips?name=a.mp4").header("content-length", "5000000000");
    assert_eq!(
        bench.ask(announced.body(Body::empty()).unwrap()).status(),
        413
    );
    assert_eq!(bench.post_clip("", vec![1, 2, 3]).status(), 400);
    bench.nothing_arrived();
}

/// Playlists that make libav open other files or addresses, as its documentation describes them.
#[test]
fn what_is_no_video_is_refused_and_nothing_of_it_stays() {
    let bench = TestBench::new();
    let playlists = [
        "#EXTM3U\n#EXT-X-MEDIA-SEQUENCE:0\n#EXTINF:10.0,\nhttp://127.0.0.1:7001/x.ts\n#EXT-X-ENDLIST\n",
        "ffconcat version 1.0\nfile /etc/passwd\n",
        "<?xml version=\"1.0\"?><MPD xmlns=\"urn:mpeg:dash:schema:mpd:2011\"></MPD>",
        "v=0\no=- 0 0 IN IP4 127.0.0.1\ns=x\nc=IN IP4 127.0.0.1\nm=video 9 RTP/AVP 96\n",
        "#!/bin/sh\necho\n",
    ];
    for text in playlists {
        for name in ["a.mp4", "a.m3u8", "a.mpd"] {
            let response = bench.post_clip(&format!("name={name}"), text.to_owned());
            assert_eq!(
                response.status(),
                StatusCode::UNPROCESSABLE_ENTITY,
                "{text}"
            );
            let answer = json(response);
            let error = answer["error"].as_str().unwrap();
            assert!(
                !error.contains(bench.folder.path().to_str().unwrap()),
                "{error}"
            );
        }
    }
    let response = bench.post_clip(
        "name=a.mp4",
        BreaksOff(Some(Bytes::from_static(b"abc"))).body(),
    );
    assert_eq!(response.status(), StatusCode::REQUEST_TIMEOUT);
    bench.nothing_arrived();
}

impl BreaksOff {
    fn body(self) -> Body {
        Body::new(self)
    }
}
