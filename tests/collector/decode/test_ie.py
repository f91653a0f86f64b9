"""Numbers of elements are those that the registry gives the names that stand here, read off it by hand."""

from __future__ import annotations

from typing import Final

from flowdiag.collector.decode import ie
from flowdiag.collector.decode.elements import registry

NAMES: Final = """
    OCTET_DELTA octetDeltaCount
    PACKET_DELTA packetDeltaCount
    PROTOCOL protocolIdentifier
    CLASS_OF_SERVICE ipClassOfService
    TCP_CONTROL_BITS tcpControlBits
    SOURCE_PORT sourceTransportPort
    SOURCE_IPV4 sourceIPv4Address
    INGRESS_INTERFACE ingressInterface
    DESTINATION_PORT destinationTransportPort
    DESTINATION_IPV4 destinationIPv4Address
    EGRESS_INTERFACE egressInterface
    FLOW_END_UPTIME flowEndSysUpTime
    FLOW_START_UPTIME flowStartSysUpTime
    POST_OCTET_DELTA postOctetDeltaCount
    POST_PACKET_DELTA postPacketDeltaCount
    SOURCE_IPV6 sourceIPv6Address
    DESTINATION_IPV6 destinationIPv6Address
    ICMP_TYPE_CODE_IPV4 icmpTypeCodeIPv4
    SAMPLING_INTERVAL samplingInterval
    ACTIVE_TIMEOUT flowActiveTimeout
    IDLE_TIMEOUT flowIdleTimeout
    SOURCE_IPV4_PREFIX sourceIPv4Prefix
    DESTINATION_IPV4_PREFIX destinationIPv4Prefix
    SAMPLER_ID samplerId
    SAMPLER_RANDOM_INTERVAL samplerRandomInterval
    IP_VERSION ipVersion
    FLOW_DIRECTION flowDirection
    INTERFACE_NAME interfaceName
    INTERFACE_DESCRIPTION interfaceDescription
    OCTET_TOTAL octetTotalCount
    PACKET_TOTAL packetTotalCount
    APPLICATION_ID applicationId
    APPLICATION_NAME applicationName
    EXPORTER_IPV4 exporterIPv4Address
    EXPORTER_IPV6 exporterIPv6Address
    FLOW_END_REASON flowEndReason
    ICMP_TYPE_CODE_IPV6 icmpTypeCodeIPv6
    TEMPLATE_ID templateId
    START_SECONDS flowStartSeconds
    END_SECONDS flowEndSeconds
    START_MILLISECONDS flowStartMilliseconds
    END_MILLISECONDS flowEndMilliseconds
    START_MICROSECONDS flowStartMicroseconds
    END_MICROSECONDS flowEndMicroseconds
    START_NANOSECONDS flowStartNanoseconds
    END_NANOSECONDS flowEndNanoseconds
    START_DELTA_MICROSECONDS flowStartDeltaMicroseconds
    END_DELTA_MICROSECONDS flowEndDeltaMicroseconds
    SYSTEM_INIT_MILLISECONDS systemInitTimeMilliseconds
    DURATION_MILLISECONDS flowDurationMilliseconds
    DURATION_MICROSECONDS flowDurationMicroseconds
    IGNORED_PACKETS ignoredPacketTotalCount
    IGNORED_OCTETS ignoredOctetTotalCount
    NOT_SENT_FLOWS notSentFlowTotalCount
    NOT_SENT_PACKETS notSentPacketTotalCount
    NOT_SENT_OCTETS notSentOctetTotalCount
    DESTINATION_IPV6_PREFIX destinationIPv6Prefix
    SOURCE_IPV6_PREFIX sourceIPv6Prefix
    ICMP_TYPE_IPV4 icmpTypeIPv4
    ICMP_CODE_IPV4 icmpCodeIPv4
    ICMP_TYPE_IPV6 icmpTypeIPv6
    ICMP_CODE_IPV6 icmpCodeIPv6
    UDP_SOURCE_PORT udpSourcePort
    UDP_DESTINATION_PORT udpDestinationPort
    TCP_SOURCE_PORT tcpSourcePort
    TCP_DESTINATION_PORT tcpDestinationPort
    DSCP ipDiffServCodePoint
    PADDING paddingOctets
    EXPORTER_PORT exporterTransportPort
    POST_NAT_DESTINATION_IPV4 postNATDestinationIPv4Address
    POST_NAPT_DESTINATION_PORT postNAPTDestinationTransportPort
    NAT_EVENT natEvent
    INITIATOR_OCTETS initiatorOctets
    RESPONDER_OCTETS responderOctets
    FIREWALL_EVENT firewallEvent
    INGRESS_PHYSICAL_INTERFACE ingressPhysicalInterface
    EGRESS_PHYSICAL_INTERFACE egressPhysicalInterface
    SESSION_SCOPE sessionScope
    POST_NAT_DESTINATION_IPV6 postNATDestinationIPv6Address
    INITIATOR_PACKETS initiatorPackets
    RESPONDER_PACKETS responderPackets
    SELECTION_SEQUENCE_ID selectionSequenceId
    SELECTOR_ID selectorId
    ELEMENT_ID informationElementId
    SELECTOR_ALGORITHM selectorAlgorithm
    SAMPLING_PACKET_INTERVAL samplingPacketInterval
    SAMPLING_PACKET_SPACE samplingPacketSpace
    SAMPLING_TIME_INTERVAL samplingTimeInterval
    SAMPLING_TIME_SPACE samplingTimeSpace
    SAMPLING_SIZE samplingSize
    SAMPLING_POPULATION samplingPopulation
    SAMPLING_PROBABILITY samplingProbability
    PACKETS_OBSERVED selectorIdTotalPktsObserved
    PACKETS_SELECTED selectorIdTotalPktsSelected
    OBSERVED_SECONDS observationTimeSeconds
    OBSERVED_MILLISECONDS observationTimeMilliseconds
    OBSERVED_MICROSECONDS observationTimeMicroseconds
    OBSERVED_NANOSECONDS observationTimeNanoseconds
    ELEMENT_NAME informationElementName
    ENTERPRISE_NUMBER privateEnterpriseNumber
    LAYER2_OCTET_DELTA layer2OctetDeltaCount
    LAYER2_OCTET_TOTAL layer2OctetTotalCount
    ORIGINAL_EXPORTER_IPV4 originalExporterIPv4Address
    ORIGINAL_EXPORTER_IPV6 originalExporterIPv6Address
    ORIGINAL_DOMAIN originalObservationDomainId
"""


def test_each_constant_has_the_number_that_the_registry_gives_its_name() -> None:
    numbers = {known.name: known.id for known in registry().values()}
    expected = {constant: numbers[name] for constant, name in map(str.split, NAMES.strip().splitlines())}
    assert {name: number for name, number in vars(ie).items() if name.isupper()} == expected
