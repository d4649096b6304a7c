#!/usr/bin/env bash
# The broker's certificate, kept right: for every name and address that this machine has now, and renewed before it
# ends.  Run by install.sh and, every ten minutes, by rushlight-broker.timer.
#
# Two things make it last.  The certificate authority lives below /etc/rushlight, so that a copy of the configuration
# takes it along and a new card does not void every board.  And the certificate always holds the name
# rushlight-broker, which is what boards ask for, so that no board minds what this machine is called.
set -euo pipefail
export LC_ALL=C

usage() {
    cat <<'HELP'
Usage: certificate.sh [--check] [--restart] [--group GROUP] AUTHORITY BROKER

AUTHORITY   folder with ca.crt, ca.der and ca.key; made when they are missing
BROKER      folder with broker.crt, broker.key and a copy of ca.crt, for the broker to read

  --check        change nothing; exit with 1 when something would be changed
  --restart      restart mosquitto.service after a change
  --group GROUP  who may read the broker's key (default: mosquitto)

Exit status: 0 done, or nothing to do; 1 it did not work, or with --check: something to do; 2 wrong usage.
HELP
}

check=no restart=no group=mosquitto
while [[ ${1:-} == -* ]]; do
    case $1 in
        --check) check=yes ;;
        --restart) restart=yes ;;
        --group)
            group=${2:?--group needs a name}
            shift
            ;;
        -h | --help)
            usage
            exit 0
            ;;
        *)
            usage >&2
            exit 2
            ;;
    esac
    shift
done
if (($# != 2)); then
    usage >&2
    exit 2
fi
authority=$1 broker=$2

# What this machine is called and where it is reached, as a certificate writes it.  Addresses of version 6 change by
# themselves, often daily, and are left out.
wanted_names() {
    local host address
    host=$(hostname)
    {
        printf 'DNS:%s\n' rushlight-broker localhost "$host"
        if [[ $host != *.* ]]; then printf 'DNS:%s.local\n' "$host"; fi
        printf 'IP:127.0.0.1\n'
        for address in $(hostname -I 2>/dev/null || true); do
            if [[ $address == *.*.*.* ]]; then printf 'IP:%s\n' "$address"; fi
        done
    } | sort -u
}

held_names() {
    openssl x509 -in "$broker/broker.crt" -noout -ext subjectAltName 2>/dev/null |
        grep -oE '(DNS|IP Address):[^,[:space:]]+' | sed 's/^IP Address:/IP:/' | sort -u
}

authority_missing() { [[ ! -s $authority/ca.key || ! -s $authority/ca.crt ]]; }

# Why the certificate has to be made anew; nothing when it is good.
fault() {
    if [[ ! -s $broker/broker.crt || ! -s $broker/broker.key ]]; then
        echo "there is none yet"
    elif ! openssl x509 -checkend $((60 * 86400)) -noout -in "$broker/broker.crt" >/dev/null; then
        echo "it ends within 60 days"
    elif ! openssl verify -no_check_time -CAfile "$authority/ca.crt" "$broker/broker.crt" >/dev/null 2>&1; then
        echo "it is not from the authority in $authority"
    elif ! cmp -s "$authority/ca.crt" "$broker/ca.crt"; then
        echo "the broker has another authority than $authority"
    elif [[ -n $(comm -23 <(wanted_names) <(held_names)) ]]; then
        echo "it does not hold $(comm -23 <(wanted_names) <(held_names) | paste -sd ' ')"
    fi
}

settings() {
    cat <<SETTINGS
[ca]
default_ca = here
[here]
database = $work/index
serial = $work/serial
new_certs_dir = $work
default_md = sha256
policy = any
[any]
commonName = supplied
[authority]
basicConstraints = critical, CA:true
keyUsage = critical, keyCertSign, cRLSign
subjectKeyIdentifier = hash
[broker]
basicConstraints = critical, CA:false
keyUsage = critical, digitalSignature
extendedKeyUsage = serverAuth
subjectKeyIdentifier = hash
authorityKeyIdentifier = keyid
subjectAltName = $(wanted_names | paste -sd ,)
SETTINGS
}

# signed SECTION NAME END OPTIONS...: a new key and its certificate, in the work folder.  Valid from the year 2000: a
# board has no clock that runs without power, and starts in 2000 or 2021; a certificate from today is 'not yet valid'
# to it.
signed() {
    local section=$1 name=$2 end=$3
    shift 3
    openssl ecparam -name prime256v1 -genkey -noout -out "$work/$section.key"
    openssl req -new -key "$work/$section.key" -subj "/CN=$name" -config <(printf '[req]\ndistinguished_name = dn\n[dn]\n') \
        -out "$work/$section.csr"
    : >"$work/index"
    openssl ca -batch -notext -config "$work/settings" -rand_serial -in "$work/$section.csr" -extensions "$section" \
        -startdate 20000101000000Z -enddate "$end" -out "$work/$section.crt" "$@" 2>"$work/said" || {
        cat "$work/said" >&2
        return 1
    }
}

make_authority() {
    signed authority "rushlight $(hostname)" 20491231235959Z -selfsign -keyfile "$work/authority.key"
    install -m 0600 "$work/authority.key" "$authority/ca.key"
    install -m 0644 "$work/authority.crt" "$authority/ca.crt"
    chgrp --reference="$authority" "$authority/ca.key" "$authority/ca.crt"
    echo "made a new certificate authority in $authority; each wireless board needs its ca.der"
}

make_certificate() {
    signed broker rushlight-broker "$(date -u -d '+10 years' +%Y%m%d%H%M%SZ)" -keyfile "$authority/ca.key" \
        -cert "$authority/ca.crt"
    install -m 0640 -g "$group" "$work/broker.key" "$broker/broker.key"
    install -m 0644 "$work/broker.crt" "$broker/broker.crt"
    install -m 0644 "$authority/ca.crt" "$broker/ca.crt"
}

why=
if authority_missing; then why="there is no certificate authority in $authority"; else why=$(fault); fi
if [[ -z $why && -s $authority/ca.der ]]; then exit 0; fi
if [[ $check == yes ]]; then exit 1; fi

work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
umask 077
settings >"$work/settings"
if authority_missing; then make_authority; fi
if [[ ! -s $authority/ca.der || $authority/ca.crt -nt $authority/ca.der ]]; then
    # The form that boards read.
    openssl x509 -in "$authority/ca.crt" -outform der -out "$work/ca.der"
    install -m 0644 "$work/ca.der" "$authority/ca.der"
    chgrp --reference="$authority" "$authority/ca.der"
fi
if [[ -n $why ]]; then
    make_certificate
    echo "made a new certificate for the broker: $why"
    if [[ $restart == yes ]]; then systemctl try-restart mosquitto.service; fi
fi
