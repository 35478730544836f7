# Read by deploy/try, deploy/test and .ci/run: the parts of this machine that they need.
# Plain POSIX sh. Every function says what it does before it changes anything.

say() { printf '%s\n' "$0: $*" >&2; }

stop() {
    say "$*"
    exit 1
}

# as_root COMMAND...: run as root, by sudo if need be
as_root() {
    if [ "$(id -u)" = 0 ]; then
        "$@"
    elif command -v sudo >/dev/null 2>&1; then
        sudo "$@"
    else
        stop "needs root for: $*. Run this as root, install sudo, or install the packages yourself."
    fi
}

# apt_install PACKAGE...: Debian packages; no service is started by it
apt_install() {
    command -v apt-get >/dev/null 2>&1 ||
        stop "missing here: $*. There is no apt-get; install them in your system's own way."
    say "installing by apt: $*"
    policy=/usr/sbin/policy-rc.d
    ours=no
    if [ ! -e "$policy" ]; then # the file by which Debian asks whether services may start: no
        as_root sh -c "printf '#!/bin/sh\nexit 101\n' >$policy && chmod 755 $policy"
        ours=yes
        trap 'as_root rm -f "$policy"; exit 1' INT TERM
    fi
    done_well=yes
    as_root apt-get update -q >&2 || done_well=no
    as_root env DEBIAN_FRONTEND=noninteractive \
        apt-get install -q -y --no-install-recommends "$@" >&2 || done_well=no
    [ "$ours" = no ] || as_root rm -f "$policy"
    trap - INT TERM
    [ "$done_well" = yes ] || stop "apt could not install: $*. What it said is above."
}

# need_python: a python3 of 3.11 or newer that can make virtual environments
need_python() {
    command -v python3 >/dev/null 2>&1 || apt_install python3 python3-venv
    python3 -c 'import sys; sys.exit(sys.version_info < (3, 11))' ||
        stop "needs Python 3.11 or newer; python3 here is $(python3 -V 2>&1)."
    python3 -c 'import ensurepip, venv' 2>/dev/null || apt_install python3-venv
}

# need_mosquitto: the broker that the tests start themselves; the system's own is left off
need_mosquitto() {
    PATH="$PATH:/usr/sbin"
    export PATH
    missing=""
    command -v mosquitto >/dev/null 2>&1 || missing="mosquitto"
    command -v mosquitto_pub >/dev/null 2>&1 || missing="$missing mosquitto-clients"
    [ -n "$missing" ] || return 0
    # shellcheck disable=SC2086  # words on purpose
    apt_install $missing
    if [ "${missing#mosquitto}" != "$missing" ] && [ -d /run/systemd/system ]; then
        as_root systemctl --quiet disable mosquitto.service || say "mosquitto.service stays enabled"
    fi
}

# need_victoria: the time-series server that the tests start themselves; the system's own is left off
need_victoria() {
    command -v victoria-metrics >/dev/null 2>&1 && return 0
    apt_install victoria-metrics
    if [ -d /run/systemd/system ]; then
        as_root systemctl --quiet disable victoria-metrics.service ||
            say "victoria-metrics.service stays enabled"
    fi
}

# need_chromium: the browser with which tests act as a person; it is never shown
need_chromium() {
    command -v chromium >/dev/null 2>&1 || command -v chromium-browser >/dev/null 2>&1 ||
        apt_install chromium
}

# need_compiler: for the piece that stands under a process in tests and lets one call to the system fail
need_compiler() {
    command -v cc >/dev/null 2>&1 && return 0
    apt_install gcc libc6-dev
}

# need_venv FOLDER EXTRA: a virtual environment with this checkout and one of its extras
need_venv() {
    stamp="$1/.made-of"
    wanted="$2 $(cksum <pyproject.toml) $(python3 -V) $PWD"
    if [ -x "$1/bin/python" ] && [ "$(cat "$stamp" 2>/dev/null)" = "$wanted" ]; then
        return 0
    fi
    say "making $1 with the extra \"$2\"; the first time this takes a minute"
    rm -rf "$1"
    python3 -m venv "$1" || stop "the environment $1 could not be made; what it said is above."
    PIP_DISABLE_PIP_VERSION_CHECK=1 PIP_ROOT_USER_ACTION=ignore \
        "$1/bin/pip" install -q -e ".[$2]" >&2 ||
        stop "the Python parts could not be installed; what pip said is above. Is there a network?"
    printf '%s' "$wanted" >"$stamp"
}
