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
# Readings at QoS 1 wait unconfirmed until they are on the card, which is written once in minutes.
max_inflight_messages 1000
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
    broker_timer
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
    if [[ -s $broker_folder/ca.key && ! -e $etc/broker/ca.key ]]; then
        # Where it was made before: a copy of the configuration did not take it along.
        change "move $broker_folder/ca.key to $etc/broker/ca.key" \
            mv "$broker_folder/ca.key" "$etc/broker/ca.key"
    fi
    if ! "$here/install/certificate.sh" --check "$etc/broker" "$broker_folder"; then
        change "write $broker_folder/broker.crt, $broker_folder/broker.key and, where missing, \
$etc/broker/ca.crt, $etc/broker/ca.der, $etc/broker/ca.key, $broker_folder/ca.crt (certificates)" \
            "$here/install/certificate.sh" "$etc/broker" "$broker_folder"
        restart_broker=yes
    fi
}

# The name or the address of this machine may change at any time; the certificate follows within ten minutes.
broker_timer() {
    local kind reload=no
    for kind in service timer; do
        put 0644 root:root "/etc/systemd/system/rushlight-broker.$kind" <"$here/systemd/rushlight-broker.$kind"
        [[ $put_changed == no ]] || reload=yes
    done
    if [[ $reload == yes && $dry_run == no ]]; then systemctl daemon-reload; fi
    if ! systemctl is-active --quiet rushlight-broker.timer 2>/dev/null; then
        change "enable rushlight-broker.timer (/etc/systemd/system/timers.target.wants/rushlight-broker.timer)" \
            systemctl enable --quiet --now rushlight-broker.timer
    fi
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
