# An MQTT broker for wireless boards and the hub: passwords always, TLS on the network.
# shellcheck shell=bash disable=SC2154 # the places come from common.sh, the options from install.sh

broker_folder=/etc/mosquitto/rushlight
broker_file=/etc/mosquitto/conf.d/rushlight.conf
broker_names=(rushlight board hub)

install_broker() {
    restart_broker=no
    folder 0750 root:rushlight "$etc/broker"
    if [[ $dry_run == yes ]] && ! getent group mosquitto >/dev/null; then
        # The package makes the group; before it is installed there is nothing to compare with.
        change "create folder $broker_folder (root:mosquitto, 0750)" true
    else
        folder 0750 root:mosquitto "$broker_folder"
    fi
    broker_passwords
    broker_certificates
    put 0644 root:root "$broker_file" <<CONF
# Nobody without a password.  Plain text stays inside this machine; the network gets TLS.
allow_anonymous false
password_file $broker_folder/passwords
acl_file $broker_folder/rights
# A power cut must not cost more than a minute of retained messages and sessions.
autosave_interval 60
max_queued_messages 10000
listener 1883 127.0.0.1
listener 8883
cafile $broker_folder/ca.crt
certfile $broker_folder/broker.crt
keyfile $broker_folder/broker.key
CONF
    [[ $put_changed == no ]] || restart_broker=yes
    put 0640 root:mosquitto "$broker_folder/rights" <<'RIGHTS'
user rushlight
topic readwrite #

# Boards send readings and hear nothing.
user board
topic write boards/#

user hub
topic readwrite rushlight/#
topic readwrite homeassistant/#
RIGHTS
    [[ $put_changed == no ]] || restart_broker=yes
    if [[ $restart_broker == yes ]] || ! systemctl is-active --quiet mosquitto.service; then
        change "restart mosquitto.service" restart_broker_checked
    fi
}

broker_passwords() {
    local name
    for name in "${broker_names[@]}"; do
        if [[ ! -s $etc/broker/$name.password ]]; then
            change "write $etc/broker/$name.password (random)" random_password "$name"
            restart_broker=yes
        fi
    done
    if [[ ! -s $broker_folder/passwords || $restart_broker == yes ]]; then
        change "write $broker_folder/passwords" hashed_passwords
        restart_broker=yes
    fi
}

random_password() { write_whole 0640 root:rushlight "$etc/broker/$1.password" "$(openssl rand -hex 16)"$'\n'; }

# Hashed in place, so that no password is ever on a command line for others to read.
hashed_passwords() {
    local name text=''
    for name in "${broker_names[@]}"; do text+="$name:$(cat "$etc/broker/$name.password")"$'\n'; done
    write_whole 0600 root:root "$broker_folder/passwords.plain" "$text"
    mosquitto_passwd -U "$broker_folder/passwords.plain"
    chown root:mosquitto "$broker_folder/passwords.plain"
    chmod 0640 "$broker_folder/passwords.plain"
    mv -T "$broker_folder/passwords.plain" "$broker_folder/passwords"
}

broker_certificates() {
    if [[ ! -s $broker_folder/ca.crt ]]; then
        change "write $broker_folder/ca.crt and $broker_folder/ca.key (own certificate authority, 20 years)" make_authority
        change "write $etc/broker/ca.crt (copy for the daemon and the boards)" \
            install -m 0644 -g rushlight "$broker_folder/ca.crt" "$etc/broker/ca.crt"
    fi
    if [[ ! -s $broker_folder/broker.crt ]] || ! openssl x509 -checkend $((60 * 86400)) -noout \
        -in "$broker_folder/broker.crt" >/dev/null; then
        change "write $broker_folder/broker.crt and $broker_folder/broker.key (10 years)" make_certificate
        restart_broker=yes
    fi
}

# The authority's key stays root's; only the certificate is for others.
make_authority() {
    (
        umask 077
        openssl req -x509 -new -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 7300 -subj "/CN=rushlight $(hostname)" \
            -keyout "$broker_folder/ca.key" -out "$broker_folder/ca.crt" 2>/dev/null
    )
    chmod 0644 "$broker_folder/ca.crt"
}

# Valid from the day before: a board whose clock is a little slow must not find it 'not yet valid'.
make_certificate() {
    local name work
    name=$(hostname)
    work=$(mktemp -d)
    (
        umask 077
        openssl req -new -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -subj "/CN=$name" \
            -keyout "$work/broker.key" -out "$work/broker.csr" 2>/dev/null
        openssl x509 -req -in "$work/broker.csr" -CA "$broker_folder/ca.crt" -CAkey "$broker_folder/ca.key" \
            -days 3650 -out "$work/broker.crt" \
            -extfile <(printf 'subjectAltName=DNS:%s,DNS:%s.local,DNS:localhost,IP:127.0.0.1\n' "$name" "$name") 2>/dev/null
    )
    install -m 0640 -o root -g mosquitto "$work/broker.key" "$broker_folder/broker.key"
    install -m 0644 "$work/broker.crt" "$broker_folder/broker.crt"
    rm -rf "$work"
}

restart_broker_checked() {
    systemctl restart mosquitto.service || die "the broker does not start; look at: journalctl -u mosquitto -n 50"
    "$opt/$release/bin/python" - "$etc/broker" <<'PY' || die "the broker runs, but refuses the daemon's password over TLS"
import logging, pathlib, socket, sys, time
from paho.mqtt import publish
logging.disable()  # the library calls its own parting an error
folder = pathlib.Path(sys.argv[1])
for attempt in range(20):
    try:
        socket.create_connection(("localhost", 8883), 1).close()
        break
    except OSError:
        time.sleep(0.5)
auth = {"username": "rushlight", "password": (folder / "rushlight.password").read_text().strip()}
publish.single("rushlight/installed", "yes", hostname="localhost", port=8883, auth=auth,
               qos=1, tls={"ca_certs": str(folder / "ca.crt")})
PY
}
