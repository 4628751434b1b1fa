"""Two adapters and the air between them: the machine's and the pod's, by bumble.

bumble's virtual controller lacks or hurries what a kernel notices; what is changed here was
found on Linux 6.1 with BlueZ 5.66.
"""

from __future__ import annotations

import asyncio
from typing import Any, ClassVar, Final

from bumble import hci, ll
from bumble.controller import Controller
from bumble.core import PhysicalTransport
from bumble.link import LocalLink

LL_DELAY_S: Final = 0.03
"""A link-layer procedure takes some connection events; without it bluetoothd is overrun."""
ADVERTISING_S: Final = 0.1
_ABSENT = (
    hci.LeFeatureMask.LL_PRIVACY
    | hci.LeFeatureMask.LE_EXTENDED_ADVERTISING
    | hci.LeFeatureMask.LE_PERIODIC_ADVERTISING
    | hci.LeFeatureMask.CHANNEL_SELECTION_ALGORITHM_2
)
_ABSENT_WORDS = ("RESOLVING", "RESOLUTION", "RESOLVABLE", "PRIVACY_MODE", "EXTENDED", "PERIODIC")


class Air(LocalLink):
    """What is between two adapters; they hear each other while `in_reach`."""

    in_reach = True

    def find_le_controller(self, address: hci.Address) -> Controller | None:
        """Return the adapter that has a connection or goes by this address."""
        found: Controller | None = super().find_le_controller(address) if self.in_reach else None
        return found

    def send_advertising_pdu(self, sender_controller: Controller, packet: Any) -> None:
        """Carry an advertisement or a wish to connect, unless out of reach."""
        if self.in_reach:
            super().send_advertising_pdu(sender_controller, packet)

    def send_acl_data(
        self,
        sender_controller: Controller,
        destination_address: hci.Address,
        transport: PhysicalTransport,
        data: bytes,
    ) -> None:
        """Carry data; the sender goes by the address it has connected with."""
        receiver = self.find_le_controller(destination_address)
        connection = sender_controller.le_connections.get(destination_address)
        if receiver is not None and connection is not None:
            loop, own = asyncio.get_running_loop(), connection.self_address
            loop.call_soon(_hand_over, receiver, own, transport, data)

    def send_ll_control_pdu(
        self, sender_address: hci.Address, receiver_address: hci.Address, packet: Any
    ) -> None:
        """Carry a link-layer message, later."""

        def deliver() -> None:
            receiver = self.find_le_controller(receiver_address)
            if receiver is not None and sender_address in receiver.le_connections:
                receiver.on_ll_control_pdu(sender_address, packet)

        asyncio.get_running_loop().call_later(LL_DELAY_S, deliver)


def _hand_over(
    receiver: Controller, sender: hci.Address, transport: PhysicalTransport, data: bytes
) -> None:
    if sender in receiver.le_connections:
        receiver.on_link_acl_data(sender, transport, data)


class Adapter(Controller):
    """A controller without privacy and extended advertising, which a reset empties."""

    le_features = Controller.le_features & ~_ABSENT
    supported_commands: ClassVar[set[int]] = {
        code
        for code in Controller.supported_commands
        if not any(word in hci.HCI_Command.command_name(code) for word in _ABSENT_WORDS)
    }

    def lose(self) -> None:
        """End all connections as when the other side is out of reach."""
        for connection in list(self.le_connections.values()):
            self.on_le_disconnected(connection, hci.HCI_ErrorCode.CONNECTION_TIMEOUT_ERROR)

    def on_hci_reset_command(self, _command: Any) -> hci.HCI_StatusReturnParameters:
        """Forget everything; who was connected is told by the silence."""
        self.le_scan_enable = False
        self.pending_le_connection = None
        self.le_legacy_advertiser.stop()
        for connection in list(self.le_connections.values()):
            code = hci.HCI_ErrorCode.REMOTE_DEVICE_TERMINATED_CONNECTION_DUE_TO_POWER_OFF_ERROR
            connection.send_ll_control_pdu(ll.TerminateInd(code))
            del self.le_connections[connection.peer_address]
        return hci.HCI_StatusReturnParameters(hci.HCI_ErrorCode.SUCCESS)

    def on_hci_le_create_connection_cancel_command(
        self, _command: Any
    ) -> hci.HCI_StatusReturnParameters:
        """Give a connection up that was not made yet, and say so, as the standard asks."""
        pending, self.pending_le_connection = self.pending_le_connection, None
        if pending is None:
            return hci.HCI_StatusReturnParameters(hci.HCI_ErrorCode.COMMAND_DISALLOWED_ERROR)
        asyncio.get_running_loop().call_soon(
            self.send_hci_packet,
            hci.HCI_LE_Connection_Complete_Event(
                status=hci.HCI_ErrorCode.UNKNOWN_CONNECTION_IDENTIFIER_ERROR,
                connection_handle=0,
                role=hci.Role.CENTRAL,
                peer_address_type=pending.peer_address_type,
                peer_address=pending.peer_address,
                connection_interval=0,
                peripheral_latency=0,
                supervision_timeout=0,
                central_clock_accuracy=0,
            ),
        )
        return hci.HCI_StatusReturnParameters(hci.HCI_ErrorCode.SUCCESS)
