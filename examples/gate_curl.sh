#!/usr/bin/env bash
# Opens a door while any tag is inside a zone, and closes it whenever that is not certain; asks with curl.
#
# CAUTION: an example, and not a safety component. A door can crush and an open gate can let someone into danger.
# - Force limits, safety edges, light curtains and the emergency stop stay independent of this and overrule it.
#   Powered doors are under standards and local codes (EN 12453, for instance): leave them to licensed trades.
# - A range is no proof of presence: it can be relayed or shortened by an attacker. Never the only key.
# - "Closed" is taken for the safe state here. Where closing is the danger, turn it round, with the trade
#   that answers for it.
#
# The rule: open only while the daemon's answer says that the zone is `inside`, brings back the nonce of this very
# question, holds still (`valid_for_s`, counted by a steady clock from before the question was asked), and the site that
# the daemon tells is, word for word, the one of the start. No answer in time, `unknown`, an answer out of some cache, a
# daemon that was killed or is another one: closed. Each change is one line, OPEN or CLOSE and why; while the door stays
# closed each further reason is told once, on standard error. Put your own relay into `drive`.
# Needs /proc/uptime (Linux) for the steady clock, and awk.
#
#     examples/gate_curl.sh 'roller door' [http://127.0.0.1:6208]
set -u
zone=${1:?"usage: $0 ZONE [URL]"}
url=${2:-http://127.0.0.1:6208}
# A zone's name may hold anything: every byte of it is written as %XX.
path=$(printf %s "$zone" | od -An -v -tx1 | tr -d '\n' | sed 's/ /%/g')
state=
known=
reasons=$'\n' # told since the door was open last, without their numbers, a line each
clocks_told=
until=0 # the last answer holds until then, hundredths of a second of the steady clock

drive() { # "OPEN" or "CLOSE"
  : # Here goes the relay. It should drop to closed by itself when this program dies.
}

set_door() { # "OPEN" or "CLOSE", why: drives when something changes, and says so; each new reason to stay closed once
  local kind=${2//[0-9.]/}
  if [ "$1" = OPEN ]; then
    reasons=$'\n'
  fi
  if [ "$1" != "$state" ]; then
    state=$1
    drive "$state"
    printf '%-5s %s\n' "$state" "$2"
  elif [ "$1" = CLOSE ] && [[ "$reasons" != *$'\n'"$kind"$'\n'* ]]; then
    printf 'closed: %s\n' "$2" >&2
  fi
  if [ "$1" = CLOSE ] && [[ "$reasons" != *$'\n'"$kind"$'\n'* ]]; then
    reasons=$'\n'${reasons: -4000}$kind$'\n'
  fi
}

now() { # a steady clock, hundredths of a second
  local up
  read -r up _ </proc/uptime
  printf '%d' "$((10#${up/./}))"
}

limit() { # how long curl may take, seconds: while the door is open not longer than the last answer holds
  local left=50
  if [ "$state" = OPEN ]; then
    left=$((until - $(now)))
    left=$((left > 50 ? 50 : left < 1 ? 1 : left))
  fi
  printf '0.%02d' "$left"
}

ask() { # path
  curl --silent --show-error --fail-with-body --max-time "$(limit)" "$url$1" 2>&1
}

look_at_clocks() { # valid_until and valid_for_s: tells once that the daemon's clock and this one differ
  local there
  [ -z "$clocks_told" ] && there=$(date -d "$1" +%s.%N 2>/dev/null) || return 0
  clocks_told=$(awk -v here="$(date +%s.%N)" -v there="$there" -v left="$2" 'BEGIN {
    off = here - there + left
    if (off < 0) off = -off
    if (left > 0 && off > 1.0) printf "the daemon'"'"'s clock and this one differ by %.1f s", off
  }')
  if [ -n "$clocks_told" ]; then
    printf '%s\n' "$clocks_told" >&2
  fi
}

look() { # one question, and what comes of it
  local asked nonce answer site now_state words valid_until rest valid_for
  asked=$(now)
  nonce=$$-$asked-$RANDOM$RANDOM
  if ! answer=$(ask "/v1/zones/$path?nonce=$nonce"); then
    set_door CLOSE "no answer: $answer"
    return
  fi
  # The first "state" of the answer is the one of the zone over all its tags.
  now_state=$(printf %s "$answer" | sed 's/"state":"/\n&/' | sed -n '2s/^"state":"\([a-z]*\)".*/\1/p')
  words=${answer#*\"words\":\"} words=${words%%\",\"tags\":*}
  valid_until=$(printf %s "$answer" | sed 's/"valid_until":"/\n&/' | sed -n '2s/^"valid_until":"\([^"]*\)".*/\1/p')
  # The last fields are those of the whole answer; the nonce ends it.
  rest=${answer##*,\"valid_for_s\":}
  valid_for=${rest%%,*}
  if [[ "$answer" != *",\"nonce\":\"$nonce\"}" ]]; then
    set_door CLOSE "an answer that is not to this question: it is old, or another one's"
    return
  fi
  # The site is asked for last, so that it is never older than the answer.
  if ! site=$(ask /v1/site); then
    set_door CLOSE "no answer: $site"
    return
  fi
  known=${known:-$site}
  if [ "$site" != "$known" ]; then
    set_door CLOSE 'another daemon answers, or its site was changed; start again if that is right'
    return
  fi
  look_at_clocks "$valid_until" "$valid_for"
  until=$((asked + $(awk -v s="$valid_for" 'BEGIN { printf "%d", 100 * s }')))
  if [ "$now_state" != inside ]; then
    set_door CLOSE "${now_state:-an answer without a state}: $words"
  elif [ "$(now)" -ge "$until" ]; then
    set_door CLOSE "the answer has run out: the daemon is behind, or this machine is busy"
  else
    set_door OPEN "$words"
  fi
}

trap 'set_door CLOSE "this program ends"' EXIT
trap 'exit 130' INT
trap 'exit 143' TERM
set_door CLOSE start
now >/dev/null || exit 69
while true; do
  look
  sleep 0.1
done
