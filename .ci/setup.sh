# Set-up shared by demo/run, tests/run and .ci/run. Sourced, not run; needs $root, the checkout.
# Says what it installs; a second call finds everything in place and installs nothing.

say() { printf '%s\n' "$*"; }
fail() { printf '%s\n' "$*" >&2; exit 2; }

apt_updated=no
# apt_install WHY PACKAGE...: through apt when root, otherwise name exactly what is missing.
apt_install() {
  local why=$1; shift
  if [ "$(id -u)" -ne 0 ] || ! command -v apt-get >/dev/null; then
    say "Missing for $why: $*. Install with: sudo apt-get install --no-install-recommends $*"
    return 1
  fi
  if [ "$apt_updated" = no ]; then
    say "Refreshing apt's package lists"
    apt-get update -qq >/dev/null || return 1
    apt_updated=yes
  fi
  say "Installing for $why (apt): $*"
  DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends "$@" >/dev/null
}

find_python() {
  local name
  for name in python3 python3.13 python3.12 python3.11; do
    if "$name" -c 'import sys; sys.exit(not (3, 11) <= sys.version_info[:2] <= (3, 13))' 2>/dev/null; then
      "$name" -c 'import sys; print(sys.executable)'  # not a launcher of it: uv would make .venv anew each time
      return 0
    fi
  done
  return 1
}

has_library() { "$python" -c 'import ctypes, sys; ctypes.CDLL(sys.argv[1])' "$1" 2>/dev/null; }

# What Open3D links against, even for work without a screen: library, and Debian's package of it.
native_libraries='libGL.so.1 libgl1
libEGL.so.1 libegl1
libX11.so.6 libx11-6
libusb-1.0.so.0 libusb-1.0-0
libudev.so.1 libudev1
libgomp.so.1 libgomp1
libstdc++.so.6 libstdc++6'

install_native_libraries() {
  local library package missing=()
  while read -r library package; do
    has_library "$library" || missing+=("$package")
  done <<<"$native_libraries"
  [ ${#missing[@]} -eq 0 ] || apt_install "Open3D" "${missing[@]}" || fail "Open3D cannot start without them."
}

uv_version=0.13.9
install_uv() {
  uv=$root/.tools/bin/uv
  if [ -x "$uv" ] && "$uv" --version >/dev/null 2>&1; then return; fi
  if ! "$python" -c 'import ensurepip, venv' 2>/dev/null; then
    apt_install "a virtual environment" "python$("$python" -c 'import sys; print("%d.%d" % sys.version_info[:2])')-venv" \
      || fail "Python's venv module is needed."
  fi
  say "Installing uv $uv_version into .tools"
  "$python" -m venv --clear "$root/.tools"
  "$root/.tools/bin/python" -m pip install --quiet --disable-pip-version-check "uv==$uv_version"
}

# set_up [uv sync options]: everything the product needs, in .venv, exactly as locked.
set_up() {
  python=$(find_python) || fail "Python 3.11, 3.12 or 3.13 is needed; found $(python3 --version 2>&1 || echo none)."
  install_native_libraries
  install_uv
  [ -x "$root/.venv/bin/python" ] || say "Installing the locked Python packages into .venv (about 1.6 GB, a few minutes)"
  UV_PROJECT_ENVIRONMENT=$root/.venv "$uv" sync --quiet --project "$root" --locked --all-extras --inexact \
    --python "$python" --no-python-downloads "$@"
}
