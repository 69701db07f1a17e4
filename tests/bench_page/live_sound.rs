//! What the live page says and plays, by a stand-in for the loudspeaker, and its messages for a screen reader.

use std::time::{Duration, Instant};

use serde_json::Value;

use super::browser::Browser;

/// Notes down what would be heard: words, the pitch of each short tone, and the steady tone.
const STAND_IN: &str = "
    window.heard = { spoken: [], tones: [], loud: 0, steady: 0, read: [] };
    const status = document.querySelector('[data-status]');
    new MutationObserver(() => heard.read.push(status.textContent)).observe(status, { childList: true });
    speechSynthesis.speak = (one) => heard.spoken.push(one.text);
    window.AudioContext = class {
        currentTime = 0;
        destination = {};
        resume() {}
        createOscillator() {
            const tone = {
                frequency: { value: 0, setTargetAtTime: (pitch) => { heard.steady = pitch; } },
                connect: (next) => next, start: () => heard.tones.push(tone.frequency.value), stop() {},
            };
            return tone;
        }
        createGain() {
            const gain = { value: 0, setValueAtTime() {}, linearRampToValueAtTime() {}, setTargetAtTime: (loud) => { heard.loud = loud; } };
            return { gain, connect: (next) => next };
        }
    };";

/// Puts the stand-in in place, before the page makes its first sound.
pub async fn listen(browser: &Browser) {
    browser.client.execute(STAND_IN, Vec::new()).await.unwrap();
}

async fn heard(browser: &Browser) -> Value {
    let heard = browser.client.execute("return window.heard", Vec::new());
    heard.await.unwrap()
}

/// Waits until what was heard is as wanted.
pub async fn wait_to_hear(browser: &Browser, what: &str, is_wanted: impl Fn(&Value) -> bool) {
    let begun = Instant::now();
    loop {
        let heard = heard(browser).await;
        if is_wanted(&heard) {
            return;
        }
        assert!(begun.elapsed() < Duration::from_secs(60), "{what}: {heard}");
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
}

/// Whether these words were spoken.
pub fn said(heard: &Value, words: &str) -> bool {
    has(&heard["spoken"], words)
}

/// Whether these words were put where a screen reader reads them out.
pub fn read_out(heard: &Value, words: &str) -> bool {
    has(&heard["read"], words)
}

fn has(texts: &Value, words: &str) -> bool {
    let mut texts = texts.as_array().unwrap().iter();
    texts.any(|one| one.as_str().unwrap().contains(words))
}

/// The switch silences the page, also while holds are kept.
pub async fn silenced(browser: &Browser) {
    browser.find("[data-sound]").await.click().await.unwrap();
    let before = heard(browser).await;
    tokio::time::sleep(Duration::from_secs(3)).await;
    let after = heard(browser).await;
    assert_eq!(before["spoken"], after["spoken"]);
    assert_eq!(before["tones"], after["tones"]);
    assert_eq!(after["loud"], 0);
}
