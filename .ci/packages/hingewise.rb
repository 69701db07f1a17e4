# Homebrew: `brew install --HEAD --formula .ci/packages/hingewise.rb`, run at the top of a checkout.
# Untried: nobody has built it with Homebrew yet.
class Hingewise < Formula
  desc "Measures from a clip how far the control surfaces of a model aircraft move"
  license any_of: ["MIT", "Apache-2.0"]
  head "file://#{File.expand_path("../..", __dir__)}", using: :git

  depends_on "llvm" => :build
  depends_on "pkgconf" => :build
  depends_on "rust" => :build
  depends_on "ffmpeg"
  depends_on "opencv"

  def install
    system "cargo", "install", *std_cargo_args
    system bin/"hingewise", "system-files", "--out", "system-files"
    man1.install Dir["system-files/*.1"]
    bash_completion.install "system-files/hingewise.bash" => "hingewise"
    zsh_completion.install "system-files/_hingewise"
    fish_completion.install "system-files/hingewise.fish"
  end

  test do
    assert_match "OpenCV", shell_output("#{bin}/hingewise --version")
  end
end
