//! The file of a form that a browser sends without script (multipart/form-data, RFC 7578), read as it
//! arrives.

use std::pin::Pin;
use std::task::{Context, Poll};

use axum::body::{Body, Bytes};
use axum::http::{HeaderMap, header};
use http_body_util::BodyExt;
use hyper::body::Frame;

use super::Refusal;

/// Longest boundary (RFC 2046, 5.1.1).
const LONGEST_BOUNDARY: usize = 70;

/// Longest beginning of a part: its headers, with the name of the file.
const LONGEST_HEAD: usize = 16 << 10;

/// The first file of a form.
pub struct FormFile {
    /// Its name, as the browser says it.
    pub name: String,
    /// What it holds.
    pub body: Body,
}

/// Reads up to the first part, which has to be a file, and hands the rest on as it arrives.
///
/// # Errors
/// The body is no such form, or no file was chosen.
pub async fn first_file(headers: &HeaderMap, mut body: Body) -> Result<FormFile, Refusal> {
    let boundary = boundary(headers).ok_or_else(no_form)?;
    let delimiter = format!("\r\n--{boundary}").into_bytes();
    // The first delimiter has no line before it; with one all of them look alike.
    let mut buffer = b"\r\n".to_vec();
    let head_end = loop {
        if let Some(end) = find(&buffer, b"\r\n\r\n") {
            break end;
        }
        if buffer.len() > LONGEST_HEAD {
            return Err(no_form());
        }
        let frame = body
            .frame()
            .await
            .ok_or_else(no_form)?
            .map_err(|_| no_form())?;
        if let Ok(data) = frame.into_data() {
            buffer.extend_from_slice(&data);
        }
    };
    let head = buffer.get(..head_end).unwrap_or_default();
    if !head.starts_with(&delimiter) {
        return Err(no_form());
    }
    let name = file_name(&String::from_utf8_lossy(head)).filter(|name| !name.is_empty());
    let name = name.ok_or_else(|| Refusal::bad_request("no file was chosen", "choose a clip"))?;
    let rest = buffer.split_off(head_end + 4);
    let part = Part {
        body,
        delimiter,
        held: rest,
        state: State::Reading,
    };
    Ok(FormFile {
        name,
        body: Body::new(part),
    })
}

fn no_form() -> Refusal {
    Refusal::bad_request("the request contains no file", "send it from the page")
}

fn boundary(headers: &HeaderMap) -> Option<String> {
    let kind = headers.get(header::CONTENT_TYPE)?.to_str().ok()?;
    let parameters = kind.strip_prefix("multipart/form-data")?;
    let (_, boundary) = parameters.split_once("boundary=")?;
    let boundary = boundary.split(';').next()?.trim().trim_matches('"');
    let is_right = !boundary.is_empty() && boundary.len() <= LONGEST_BOUNDARY;
    is_right.then(|| boundary.to_owned())
}

fn file_name(head: &str) -> Option<String> {
    let mut lines = head.split("\r\n");
    let line = lines.find(|line| line.to_lowercase().starts_with("content-disposition:"))?;
    let (_, name) = line.split_once("filename=\"")?;
    let (name, _) = name.split_once('"')?;
    Some(name.to_owned())
}

fn find(bytes: &[u8], wanted: &[u8]) -> Option<usize> {
    bytes
        .windows(wanted.len())
        .position(|window| window == wanted)
}

enum State {
    Reading,
    /// The delimiter was found; what follows belongs to other parts.
    Ended,
    Failed,
}

/// The bytes of a part, up to its delimiter.
struct Part {
    body: Body,
    delimiter: Vec<u8>,
    held: Vec<u8>,
    state: State,
}

impl Part {
    /// What can be handed on of the bytes at hand: all up to the delimiter, or up to where one may
    /// begin.
    fn take(&mut self) -> Bytes {
        if let Some(end) = find(&self.held, &self.delimiter) {
            self.state = State::Ended;
            self.held.truncate(end);
            return std::mem::take(&mut self.held).into();
        }
        let keep = (self.delimiter.len() - 1).min(self.held.len());
        let tail = self.held.split_off(self.held.len() - keep);
        std::mem::replace(&mut self.held, tail).into()
    }
}

impl hyper::body::Body for Part {
    type Data = Bytes;
    type Error = axum::Error;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Bytes>, axum::Error>>> {
        loop {
            if matches!(self.state, State::Reading) {
                let ready = self.take();
                if !ready.is_empty() {
                    return Poll::Ready(Some(Ok(Frame::data(ready))));
                }
            }
            let is_ended = !matches!(self.state, State::Reading);
            match std::task::ready!(Pin::new(&mut self.body).poll_frame(context)) {
                // What follows the file is read all the same, so that the browser waits for the answer.
                Some(Ok(_)) if is_ended => {}
                Some(Ok(frame)) => {
                    if let Ok(data) = frame.into_data() {
                        self.held.extend_from_slice(&data);
                    }
                }
                None if matches!(self.state, State::Ended) => return Poll::Ready(None),
                None | Some(Err(_)) if matches!(self.state, State::Failed) => {
                    return Poll::Ready(None);
                }
                None | Some(Err(_)) => {
                    self.state = State::Failed;
                    let error = std::io::Error::from(std::io::ErrorKind::UnexpectedEof);
                    return Poll::Ready(Some(Err(axum::Error::new(error))));
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::tests::runtime;

    /// A form as RFC 7578 shows it, sent in pieces of some length.
    fn read(content: &[u8], piece: usize, is_whole: bool) -> Result<(String, Vec<u8>), ()> {
        let mut text =
            b"--XX\r\nContent-Disposition: form-data; name=\"clip\"; filename=\"a b.mp4\"\r\n\
            Content-Type: video/mp4\r\n\r\n"
                .to_vec();
        text.extend_from_slice(content);
        if is_whole {
            text.extend_from_slice(b"\r\n--XX--\r\n");
        }
        let pieces: Vec<Bytes> = text.chunks(piece).map(Bytes::copy_from_slice).collect();
        let mut headers = HeaderMap::new();
        headers.insert(
            header::CONTENT_TYPE,
            "multipart/form-data; boundary=XX".parse().unwrap(),
        );
        runtime().block_on(async {
            let file = first_file(&headers, Body::new(Pieces(pieces.into())))
                .await
                .map_err(drop)?;
            let bytes = file.body.collect().await.map_err(drop)?.to_bytes().to_vec();
            Ok((file.name, bytes))
        })
    }

    struct Pieces(std::collections::VecDeque<Bytes>);

    impl hyper::body::Body for Pieces {
        type Data = Bytes;
        type Error = std::io::Error;

        fn poll_frame(
            mut self: Pin<&mut Self>,
            _: &mut Context<'_>,
        ) -> Poll<Option<Result<Frame<Bytes>, Self::Error>>> {
            Poll::Ready(self.0.pop_front().map(|bytes| Ok(Frame::data(bytes))))
        }
    }

    #[test]
    fn a_file_is_read_to_the_byte_in_pieces_of_any_length() {
        let almost = b"x\r\n--XY\r\n--X\r\n\r\n\r--XX \r\n-".repeat(20);
        for content in [&b""[..], b"a", b"\r\n", &almost] {
            for piece in [1, 2, 3, 7, 64, 10_000] {
                let (name, bytes) = read(content, piece, true).unwrap();
                assert_eq!(name, "a b.mp4");
                assert_eq!(bytes, content, "pieces of {piece}");
            }
        }
    }

    #[test]
    fn a_form_that_breaks_off_is_no_whole_file() {
        assert!(read(b"abc", 5, false).is_err());
    }
}
