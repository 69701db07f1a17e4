#!/bin/sh
# Installs what the build of hingewise needs and is not here yet. Run it as often as you like:
# what is there already is left alone.
#
#     sh setup.sh         what the build needs
#     sh setup.sh tests   what the tests need as well
set -eu

wanted_by=${1:-build}
case $#$wanted_by in
0build | 1build | 1tests) ;;
*)
    printf '%s\n' "setup.sh takes one argument at most, build or tests (not: $*)" >&2
    exit 2
    ;;
esac

oldest_rust=$(sed -n 's/^rust-version = "\(.*\)"/\1/p' "$(dirname "$0")/Cargo.toml")

say() { printf '%s\n' "$*"; }

have() { command -v "$1" >/dev/null 2>&1; }

# What the build needs: each check succeeds if it is here.

has_compiler() { have c++ || have g++ || have clang++; }

has_pkg_config() { have pkg-config; }

# The bindings to OpenCV and FFmpeg are made by reading their headers with clang.
has_clang() {
    have clang || return 1
    for folder in /usr/lib /usr/lib64 /usr/local/lib /usr/lib/*-linux-gnu* /usr/lib/llvm*/lib \
        /opt/homebrew/opt/llvm/lib /usr/local/opt/llvm/lib \
        /Library/Developer/CommandLineTools/usr/lib \
        /Applications/Xcode.app/Contents/Developer/Toolchains/XcodeDefault.xctoolchain/usr/lib; do
        for library in "$folder"/libclang.so* "$folder"/libclang-*.so* "$folder"/libclang.dylib; do
            [ -e "$library" ] && return 0
        done
    done
    return 1
}

# Tags are found by the module `aruco`, which became a part of `objdetect` in OpenCV 4.7.
has_opencv() {
    has_pkg_config || return 1
    for package in opencv5 opencv4 opencv; do
        if pkg-config --exists "$package"; then
            for folder in $(pkg-config --cflags-only-I "$package" | tr ' ' '\n' | sed -n 's/^-I//p') \
                /usr/include; do
                [ -e "$folder/opencv2/aruco.hpp" ] && return 0
                [ -e "$folder/opencv2/objdetect/aruco_detector.hpp" ] && return 0
            done
        fi
    done
    return 1
}

# The versions are those of FFmpeg 5.0.
has_ffmpeg() {
    has_pkg_config &&
        pkg-config --atleast-version=59 libavformat &&
        pkg-config --atleast-version=59 libavcodec &&
        pkg-config --atleast-version=57 libavutil
}

# The tests read printed pages back.
has_poppler() { have pdftoppm && have pdftotext; }

# The tests open the pages of the bench in a real browser.
has_browser() { have chromedriver; }

is_for_tests() { [ "$1" = has_poppler ] || [ "$1" = has_browser ]; }

# Gathers the names and the packages of all that is missing for one package manager.
list_missing() {
    missing=""
    packages=""
    while IFS='|' read -r check what apt dnf pacman brew; do
        check=$(printf '%s' "$check" | tr -d ' ')
        if is_for_tests "$check" && [ "$wanted_by" != tests ]; then
            continue
        fi
        if ! "$check"; then
            missing="$missing
  - $(printf '%s' "$what" | sed 's/^ *//; s/ *$//')"
            case $1 in
            apt) packages="$packages $apt" ;;
            dnf) packages="$packages $dnf" ;;
            pacman) packages="$packages $pacman" ;;
            brew) packages="$packages $brew" ;;
            esac
        fi
    done <<'TABLE'
has_compiler   | a C++ compiler                        | g++           | gcc-c++            | gcc          |
has_pkg_config | pkg-config                            | pkg-config    | pkgconf-pkg-config | pkgconf      | pkgconf
has_clang      | clang with its library libclang       | clang libclang-dev | clang clang-devel | clang       | llvm
has_opencv     | OpenCV 4.5 or newer, with aruco       | libopencv-dev | opencv-devel       | opencv       | opencv
has_ffmpeg     | FFmpeg 5.0 or newer, with its headers | libavcodec-dev libavformat-dev libavutil-dev | ffmpeg-free-devel | ffmpeg | ffmpeg
has_poppler    | pdftoppm and pdftotext                | poppler-utils | poppler-utils      | poppler      | poppler
has_browser    | Chromium and its driver               | chromium chromium-driver | chromium chromedriver | chromium | chromedriver
TABLE
    packages=$(printf '%s' "$packages" | tr -s ' ' | sed 's/^ //; s/ $//')
}

as_root() {
    if [ "$(id -u)" -eq 0 ]; then
        "$@"
    elif have sudo; then
        say "(this asks for your password: sudo $*)"
        sudo "$@"
    else
        say "Not root, and there is no sudo. As root, run:  $*"
        exit 1
    fi
}

install_packages() {
    # The names are split into words on purpose.
    # shellcheck disable=SC2086
    case $manager in
    apt)
        as_root apt-get update -q
        as_root env DEBIAN_FRONTEND=noninteractive \
            apt-get install -y -q --no-install-recommends $packages
        ;;
    dnf) as_root dnf install -y $packages ;;
    pacman) as_root pacman -S --needed --noconfirm $packages ;;
    brew) brew install $packages ;;
    esac
}

package_manager() {
    if have brew && [ "$(uname -s)" = Darwin ]; then
        say brew
    elif have apt-get; then
        say apt
    elif have dnf; then
        say dnf
    elif have pacman; then
        say pacman
    else
        say none
    fi
}

check_rust() {
    found=none
    if have cargo && have rustc; then
        found=$(rustc --version | sed 's/^rustc \([0-9.]*\).*/\1/')
        newer=$(printf '%s\n%s\n' "$oldest_rust" "$found" | sort -t . -k 1,1n -k 2,2n | head -n 1)
        [ "$newer" = "$oldest_rust" ] && return 0
    fi
    say "Rust $oldest_rust or newer is needed (found: $found). Packages of distributions are often" \
        "older, so take it from its own installer, https://rustup.rs :"
    say "    curl --proto '=https' --tlsv1.2 -sSf https://sh.rustup.rs | sh"
    say "open a new terminal, and run this again."
    exit 1
}

manager=$(package_manager)
list_missing "$manager"
if [ -n "$missing" ]; then
    say "Missing for the $wanted_by:$missing"
    if [ "$manager" = none ]; then
        say "This system has none of apt, dnf, pacman and brew. Install the above by hand, then run" \
            "this again."
        exit 1
    fi
    if [ -n "$packages" ]; then
        say "Installing with $manager: $packages"
        install_packages
    fi
    list_missing "$manager"
    if [ -n "$missing" ]; then
        say "Still missing:$missing"
        if [ "$manager" = brew ]; then
            say "A C++ compiler comes with:  xcode-select --install"
        fi
        say "The system's packages may be too old (Debian 12 and Ubuntu 24.04 are new enough). Install" \
            "newer ones by hand, then run this again."
        exit 1
    fi
fi
say "All libraries are here."
check_rust
if [ "$wanted_by" = tests ]; then
    say "Rust is here. Next:  cargo test --release"
else
    say "Rust is here. Next:  cargo run --release -- demo"
fi
